"""Write the drawings of the docs that are made from data: ``python -m crankfold.viewer.draw_docs``."""

from __future__ import annotations

import sys
from pathlib import Path

from crankfold.viewer.picture import tree_picture, write_svg
from crankfold.viewer.words import KINDS, speak

DOCS = Path(__file__).parent / "docs"


def main() -> int:
    """Write the tree of what to do next, one drawing a kind of engine, into ``viewer/docs``; return an exit status."""
    speak("en")
    for kind in KINDS:
        (DOCS / f"next-steps-{kind or 'petrol'}.svg").write_text(write_svg(tree_picture(kind)), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
