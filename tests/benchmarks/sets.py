#!/usr/bin/env python3
"""Count answered, wrong and blamed by set, and print them as a Markdown table with the command that made it.

    python tests/benchmarks/sets.py --own 100 --seed 7 [--family ordinary ...] [NAME=FOLDER ...] [--each]

`--own N` draws N engines of each family of the project's own generator. A folder is a set of its own: every NAME.csv or
NAME.csv.gz with a NAME.json beside it, of this form, is read as ``crankfold analyse`` reads it:

    {"about": {"firing_order": [1, 3, 4, 2], "intervals_deg": null, "strokes": 4, "clamp_mv_per_a": 10.0,
               "sync": {"kind": "cam", "cylinder": 1, "edge_deg_after_tdc": 200.0}, "engine": "pump"},
     "truth": {"kind": "any", "relative_percent": {"1": 100.0, "2": 52.0, "3": 97.0, "4": 99.0}, "low": [2],
               "even": false}}

`kind` is any where a verdict is due, else starts, short, nocrank, clipped, one or no-compression; `expect` lists the
reasons that are right then. Captures with the same `engine` count as one engine. Limits are 95 % ones.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "generator"))

from judging import UNCLEAR, Row, judge, reasons, table

EXPECTED = {"starts": "engine-fired", "short": "too-short", "nocrank": "no-cranking", "clipped": "clipped",
            "one": "one-cylinder", "no-compression": "no-humps"}
KINDS = {"single-coil": "single-spark"}
SUFFIXES = (".csv", ".csv.gz")


def recording_of(card: Path) -> Path | None:
    return next((p for p in (card.with_suffix(suffix) for suffix in SUFFIXES) if p.exists()), None)


def question(about: dict[str, Any]) -> dict[str, Any]:
    """Return what a user would be asked, as the command line takes it."""
    from crankfold.viewer.session import NOTHING_GIVEN

    sync = about["sync"]
    mark = "none"
    if sync["kind"] != "none":
        mark = f"{KINDS.get(sync['kind'], sync['kind'])}:{sync['cylinder']}"
        mark += f"@{sync['edge_deg_after_tdc']:g}" if sync["kind"] == "cam" else ""
    intervals = about.get("intervals_deg")
    return dict(NOTHING_GIVEN) | {
        "firing_order": "-".join(map(str, about["firing_order"])), "strokes": about.get("strokes", 4),
        "intervals": "-".join(f"{x:g}" for x in intervals) if intervals else None,
        "clamp": f"{about['clamp_mv_per_a']:g}mV/A", "sync": mark}


def allowed(truth: dict[str, Any], relative: list[float] | None) -> tuple[str, ...]:
    if truth["kind"] != "any" or relative is None:
        return ("none",)
    if truth["even"]:
        return ("even",)
    unclear = not truth["low"] or any(UNCLEAR[0] < true < UNCLEAR[1] for true in relative)
    return ("even", "uneven") if unclear else ("uneven",)


def read(what: tuple[str, str]) -> Row:
    """Judge one capture of a folder, given by its set's name and its JSON."""
    from crankfold.acquire import load_plugins
    from crankfold.viewer.session import judge as judged
    from crankfold.viewer.session import question_of, read_capture

    name, card = what[0], Path(what[1])
    told = json.loads(card.read_text(encoding="utf-8"))
    about, truth, order = told["about"], told["truth"], [int(c) for c in told["about"]["firing_order"]]
    percents = truth.get("relative_percent")
    relative = [float(percents[str(c)]) for c in order] if percents and truth["kind"] == "any" else None
    codes = tuple(truth.get("expect") or filter(None, [EXPECTED.get(truth["kind"])]))
    row = Row(card.stem, name, str(about.get("engine", card.stem)), allowed(truth, relative), codes)
    path = recording_of(card)

    def work() -> Any:
        capture, _ = read_capture(path, {}, load_plugins())
        return judged(capture, question_of(question(about))).result

    return judge(row, work, order, relative)


def drawn(what: tuple[str, int, int]) -> Row:
    from count_wrong import judged
    from make_captures import make

    family, seed, index = what
    return judged(make(family, seed, index), f"own: {family}")


def cards(name: str, folder: Path) -> list[tuple[str, str]]:
    found = sorted(card for card in folder.rglob("*.json") if recording_of(card) is not None)
    if not found:
        raise SystemExit(f"no capture with its truth in {folder}; every NAME.csv wants a NAME.json beside it")
    return [(name if card.parent == folder else f"{name}: {card.parent.relative_to(folder)}", str(card))
            for card in found]


def main(arguments: list[str] | None = None) -> int:
    """Judge all sets and print the table."""
    from families import FAMILIES

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="*", metavar="NAME=FOLDER")
    parser.add_argument("--own", type=int, default=0, help="engines of each family of the project's own generator")
    parser.add_argument("--family", choices=sorted(FAMILIES), action="append")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--each", action="store_true", help="a line for every capture, not only for wrong ones")
    given = parser.parse_args(arguments)
    own = [(family, given.seed, k) for family in given.family or FAMILIES for k in range(given.own)]
    kept = [card for text in given.folders for card in cards(*_named(text))]
    with ProcessPoolExecutor(given.jobs) as pool:
        rows = [*pool.map(drawn, own), *pool.map(read, kept)]
    for row in rows:
        if given.each or row.wrong or row.blamed:
            print(row.line())
    print(f"`python tests/benchmarks/sets.py {' '.join(_shown(a) for a in arguments or sys.argv[1:])}`\n")
    print(table(rows))
    print(f"\nRefused though due, by first reason: {reasons(rows)}.")
    return int(any(row.wrong for row in rows))


def _named(text: str) -> tuple[str, Path]:
    name, given, folder = text.partition("=")
    return (name, Path(folder)) if given else (Path(text).name, Path(text))


def _shown(argument: str) -> str:
    """Return an argument without the place where a folder lies."""
    name, given, folder = argument.partition("=")
    return f"{name}={Path(folder).name}" if given else Path(argument).name if os.sep in argument else argument


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
