"""Strip, fold and wheel: drawing arithmetic, a small scene of primitives, and its SVG and PNG writers. No Qt here."""
