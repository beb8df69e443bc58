"""What comes after the verdict: comparison, sheet, sound, practice."""

from __future__ import annotations

import html
import io
import json
import random
import re
import shutil
import subprocess
import wave
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import Job
from crankfold.analysis import Difference, InputError, Notice, Result
from crankfold.viewer.picture import comparison_picture, pdf_of, sheet_html, write_svg
from crankfold.viewer.picture.pdf import BROWSERS
from crankfold.viewer.practice import ENGINES, draw_riddle
from crankfold.viewer.session import Judged, judge, question_of
from crankfold.viewer.session.question import DEAD_PERCENT
from crankfold.viewer.sound import RATE_HZ, loudness, sound_of, wav_of
from crankfold.viewer.words import changed_words, comparison_headline, low_ones_first

ORDER = "1-3-4-2"
EVIL = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&\x1b[2J\u202e{{ 7*7 }}"


@pytest.fixture(scope="module")
def judged(dead_three) -> Judged:
    options = {"firing_order": ORDER, "intervals": None, "strokes": 4, "engine_name": "irrigation pump", "clamp": None,
               "probe": None, "sync": "waste-spark:1", "gauge": "1=12bar", "misfire_codes": (), "low": 75.0,
               "dead": 15.0, "watch": None}
    return judge(dead_three, question_of(options))


class Page(HTMLParser):
    """Counts tags, and keeps what is said outside style sheets."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}


def difference(cylinder: int, before: float, after: float, change: str) -> Difference:
    gap = after - before
    return Difference(cylinder, cylinder, before, after, gap, (gap - 2, gap + 2), change)


def test_a_comparison_is_said_in_one_sentence() -> None:
    better, worse = difference(3, 20.0, 97.0, "better"), difference(2, 99.0, 70.0, "worse")
    same = difference(1, 98.0, 98.4, "cannot-tell")
    assert comparison_headline([same, better]) == "Cylinder 3 is better: 20 % before, 97 % now."
    assert comparison_headline([same, worse]) == "Cylinder 2 is worse: 99 % before, 70 % now."
    assert comparison_headline([better, worse]) == "Better: cylinder 3; worse: cylinder 2."
    assert comparison_headline([better, replace(better, cylinder=4)]) == "Cylinders 3 and 4 are better."
    assert comparison_headline([same]) == "No clear change in any cylinder."
    dead = replace(difference(3, 0.0, 1.0, "cannot-tell"), before_state="dead", after_state="dead")
    low = replace(difference(3, 20.0, 61.0, "better"), before_state="low", after_state="low")
    assert comparison_headline([same, dead]) == "Not fixed: cylinder 3 still has no compression."
    assert comparison_headline([dead, better]) == "Not all fixed: cylinder 3 still has no compression."
    assert comparison_headline([low, same]) == "Better, but cylinder 3 is still low: 61 %."
    assert comparison_headline([dead, worse]) == (
        "Not fixed: cylinder 3 still has no compression; cylinder 2 is worse.")
    assert [d.cylinder for d in low_ones_first([same, worse, dead])] == [3, 1, 2]
    assert changed_words(worse).endswith("-29 points (-31 to -27), worse")
    assert "0 points" in changed_words(same)
    assert changed_words(same).endswith("can't tell")


def test_a_comparison_is_drawn(judged: Judged) -> None:
    text = write_svg(comparison_picture(judged, judged, [difference(3, 20.0, 97.0, "better")], name=EVIL))
    ET.fromstring(text)
    assert "<script" not in text
    assert len(text.encode()) < 300_000


def test_before_and_after_through_the_command(in_process, tmp_path: Path, dead_csv: Path, make_csv,
                                              make_recording) -> None:
    after = make_csv(tmp_path / "after.csv", make_recording(sync="waste-spark", seed="4"))
    about = ("--firing-order", ORDER, "--sync", "waste-spark:1")
    done = in_process("compare", dead_csv, after, *about, "--json", "out.json", "--picture", "out.svg")
    assert done.returncode == 0, done.stderr
    told = re.match(r"Cylinder 3 is better: (\d+) % before,", done.stdout)
    assert told is not None, done.stdout
    assert int(told[1]) < DEAD_PERCENT
    data = json.loads((in_process.folder / "out.json").read_text())
    assert data["format"] == "crankfold.comparison/1"
    assert [d["change"] for d in data["differences"] if d["cylinder"] == 3] == ["better"]
    assert (data["before"]["low"], data["after"]["low"]) == ([3], [])
    quiet = tmp_path / "quiet.csv"
    np.savetxt(quiet, np.column_stack([np.arange(3000) / 1000.0, np.random.default_rng(2).standard_normal(3000)]),
               delimiter=",", header="time (s),current (A)", comments="")
    refused = in_process("compare", quiet, after, *about, "--json", "-")
    assert refused.returncode == 3
    assert json.loads(refused.stdout)["before"]["reasons"][0]["code"] == "no-cranking"
    assert "quiet.csv has no verdict" in in_process("compare", quiet, after, *about).stdout
    unnamed = in_process("compare", dead_csv, after, "--firing-order", ORDER)
    assert unnamed.returncode == 2
    assert unnamed.stderr.count("\n") == 1


def test_the_sheet_says_it_to_the_owner_and_holds_the_result(judged: Judged) -> None:
    job = Job(shop="Harbour Workshop", technician="the night shift", customer="a co-operative", temperature="80 C",
              notes="Runs on three.")
    page = sheet_html(judged, job, file="crank.csv")
    for words in ("Cylinder 3 has no compression.", "can't burn its fuel", "Harbour Workshop",
                  "Tested by the night shift", "for a co-operative",
                  "irrigation pump", "Temperature: 80 C", "Runs on three.",
                  "What was not tested",
                  "Local codes and licensed practice", "12 bar"):
        assert words in html.unescape(page), words
    kept = re.search(r'<pre id="crankfold-result" hidden>(.*?)</pre>', page, re.DOTALL)
    assert kept is not None
    assert json.loads(html.unescape(kept[1]))["low"] == [3]


def test_the_sheet_needs_nothing_from_outside(judged: Judged) -> None:
    page = sheet_html(judged, Job())
    assert not Page(page).tags & {"script", "link", "iframe", "img", "object", "embed", "form"}
    addresses = set(re.findall(r"[a-z]+://[^\s\"'<>)]+", page))
    assert addresses <= {"http://www.w3.org/2000/svg"}
    assert "url(" not in page.replace("url(#sheet-hatch", "")
    assert len(page.encode()) < 300_000


def test_hostile_text_in_every_field_stays_text(judged: Judged) -> None:
    evil = replace(judged, result=replace(judged.result, engine=replace(judged.result.engine, name=EVIL)))
    page = sheet_html(evil, Job(shop=EVIL, technician=EVIL, customer=EVIL, temperature=EVIL, notes=EVIL), file=EVIL)
    seen = Page(page)
    assert not seen.tags & {"script", "img"}
    assert not {name for name in seen.attributes if name.startswith("on")}
    assert "{{ 7*7 }}" in html.unescape(page)
    assert "\x1b" not in page


def test_a_refused_capture_has_a_sheet_too(judged: Judged) -> None:
    reason = Notice("too-short", {"cycles": 1.2, "needed_cycles": 2.0})
    refused = Result("none", judged.result.engine, reasons=(reason,), trace=judged.result.trace)
    page = html.unescape(sheet_html(replace(judged, result=refused), Job()))
    assert "Only 1.2 engine cycles" in page
    assert "not good enough for a result" in page


def test_a_text_too_long_for_the_page_is_refused() -> None:
    with pytest.raises(InputError, match="notes has 601 characters"):
        Job(notes="x" * 601)


def test_without_a_browser_a_pdf_is_refused_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CRANKFOLD_BROWSER", "no-such-browser-anywhere")
    with pytest.raises(InputError, match="needs a browser"):
        pdf_of("<p>hello</p>")


def test_the_sheet_prints_to_one_page(crankfold, tmp_path: Path, make_csv, make_recording) -> None:
    if not any(map(shutil.which, BROWSERS)):
        pytest.fail("this test needs chromium; the line under 'Test it' installs it")
    order = "1-12-5-8-3-10-6-7-2-11-4-9"
    file = make_csv(tmp_path / "twelve.csv", make_recording(**{"engine": "eight", "firing-order": order}, sync="cam",
                                                           dead="10", low="4:70", rough="0"))
    done = crankfold("sheet", file, "--firing-order", order, "--sync", "cam:1@200", "--out", "out.pdf", "--note",
                     "a long note " * 49, "--shop", "W" * 120, "--gauge", "1=12bar")
    assert done.returncode == 0, done.stderr
    printed = (crankfold.folder / "out.pdf").read_bytes()
    assert printed.startswith(b"%PDF-")
    assert re.findall(rb"/Type\s*/Pages\b.{0,60}?/Count (\d+)", printed, re.DOTALL) + re.findall(
        rb"/Count (\d+).{0,60}?/Type\s*/Pages\b", printed, re.DOTALL) == [b"1"]


def test_a_sheet_with_another_ending_is_refused(in_process, even_csv: Path) -> None:
    done = in_process("sheet", even_csv, "--firing-order", ORDER, "--out", "out.doc")
    assert done.returncode == 2
    assert ".html or .pdf" in done.stderr
    assert in_process.left_behind() == []


def test_a_dead_cylinder_is_a_hole_in_the_sound(uneven_result, even_result) -> None:
    """In the dead cylinder's slot the sound is far weaker than in the others' slots; in an even one they are alike."""
    assert quietest_share(uneven_result) < 0.25
    assert quietest_share(even_result) > 0.6


def quietest_share(result: Result) -> float:
    time_s, level = loudness(result.trace)
    sound = sound_of(result.trace)
    assert len(sound) == round(result.trace.crank.length_s * RATE_HZ)
    assert np.abs(sound).max() == pytest.approx(0.8)
    assert level.min() == 0.0
    assert time_s[0] >= 0.0
    firing = result.engine.firing_deg
    power = []
    for position in range(4):
        turns = firing[position] + result.engine.cycle_deg * np.arange(-20, 20)
        turns = turns[(turns - 90 > result.estimate.angle_deg[0]) & (turns + 20 < result.estimate.angle_deg[-1])]
        crest = np.interp(turns - 25, result.estimate.angle_deg, result.estimate.time_s) - result.trace.crank.start_s
        slots = [sound[int((at - 0.02) * RATE_HZ) : int((at + 0.02) * RATE_HZ)] for at in crest]
        power.append(np.sqrt(np.median([np.mean(s**2) for s in slots])))
    return float(min(power) / max(power))


def test_slower_sound_is_longer_and_a_wav_file_holds_both() -> None:
    tones = [0.1 * np.sin(np.arange(2000) / 5.0), 0.1 * np.sin(np.arange(1000) / 5.0)]
    with wave.open(io.BytesIO(wav_of(tones))) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE_HZ)
        assert file.getnframes() == 3000 + RATE_HZ


def test_listening_through_the_command(in_process, dead_csv: Path, even_csv: Path, tmp_path: Path) -> None:
    done = in_process("listen", even_csv, dead_csv, "--out", "both.wav", "--speed", "0.5")
    assert done.returncode == 0, done.stderr
    with wave.open(str(in_process.folder / "both.wav")) as file:
        assert file.getnframes() / RATE_HZ == pytest.approx(2 * 3.0 / 0.5 + 1.0, abs=0.5)
    quiet = tmp_path / "quiet.csv"
    np.savetxt(quiet, np.column_stack([np.arange(3000) / 1000.0, np.random.default_rng(2).standard_normal(3000)]),
               delimiter=",", header="time (s),current (A)", comments="")
    for file, out, words in ((quiet, "q.wav", "no cranking"), (dead_csv, "q.mp3", ".wav")):
        refused = in_process("listen", file, "--out", out)
        assert refused.returncode == 2
        assert words in refused.stderr
    assert in_process.left_behind() == ["both.wav"]


def test_riddles_are_reproducible_and_of_every_kind() -> None:
    many = [draw_riddle(random.Random(seed)) for seed in range(200)]
    assert many == [draw_riddle(random.Random(seed)) for seed in range(200)]
    assert {r.kind for r in many} == set(ENGINES)
    assert {r.answer == 0 for r in many} == {True, False}
    assert any(r.percent == 0 for r in many)
    assert all(0 < r.percent < 70 for r in many if r.cylinder is not None and r.percent)


def test_practice_asks_and_tells_the_truth(crankfold) -> None:
    riddle = draw_riddle(random.Random(4))
    done = subprocess.run([crankfold.command, "practice", "--seed", "4", "--rounds", "1", "--out", "play"],
                          cwd=crankfold.folder, env=crankfold.environment, input=f"99\n{riddle.answer}\n", text=True,
                          capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "whole number" in done.stdout
    assert "Right." in done.stdout
    assert "You got 1 of 1 right." in done.stdout
    assert crankfold.left_behind() == ["engine-1.png", "engine-1.wav", "play"]
