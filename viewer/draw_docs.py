"""Write the pictures of the docs as things are drawn and said now: ``python -m crankfold.viewer.draw_docs``."""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from crankfold.viewer.picture import tree_picture, write_svg
from crankfold.viewer.words import KINDS, say, speak

VIEWER = Path(__file__).parent
DOCS = VIEWER / "docs"
PUMP = "virtual:engine=pump,dead=3,sync=waste-spark,pace=flat,quiet=2,crank=4,after=1"
"""The engine of the demo, as fast as it can be made."""


def main() -> int:
    """Write the tree of what to do next, a drawing a kind of engine, and the demo's picture; return 0."""
    speak("en")
    for kind in KINDS:
        (DOCS / f"next-steps-{kind or 'petrol'}.svg").write_text(write_svg(tree_picture(kind)), encoding="utf-8")
    (VIEWER / "demo.svg").write_bytes(_demo())
    return 0


def _demo() -> bytes:
    """Return the picture that ``crankfold demo`` keeps."""
    from crankfold.acquire import load_plugins, open_board, record
    from crankfold.viewer.session import NOTHING_GIVEN, judge, keep, question_of

    (capture,) = record(open_board(PUMP, {}, load_plugins(enabled=False)))
    question = question_of({**NOTHING_GIVEN, "firing_order": "1-3-4-2", "sync": "waste-spark:1",
                            "engine_name": say("demo.name")})
    with TemporaryDirectory() as folder:
        keep(judge(capture, question), capture, Path(folder), "demo", name=say("demo.foot"))
        return (Path(folder) / "demo.svg").read_bytes()


if __name__ == "__main__":
    sys.exit(main())
