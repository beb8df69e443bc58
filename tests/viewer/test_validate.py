"""Results against gauge readings: files of readings, seals, bundles, the command, its picture and its protocol."""

from __future__ import annotations

import io
import json
import subprocess
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crankfold.analysis import Capture, Case, CylinderSaid, InputError, Result, reference, validate
from crankfold.viewer.evidence import (
    BUNDLE_SUFFIX,
    GaugeSheet,
    code_of,
    digest_of,
    holds,
    make_bundle,
    personal,
    read_bundle,
    read_gauge,
    same_code,
    seal_of,
)
from crankfold.viewer.session import question_of
from crankfold.viewer.words import plain_sentence, result_data, result_text, validation_headline

ORDER = (1, 3, 4, 2)
GOOD = {1: (12.0, 12.1), 3: (0.1, 0.1), 4: (12.2, 12.0), 2: (11.9, 12.1)}
OPTIONS = {**dict.fromkeys(("intervals", "strokes", "fuel", "system_v", "engine", "rig", "clamp", "probe", "gauge",
                            "watch")), "firing_order": "1-3-4-2", "engine_name": "", "sync": "waste-spark:1",
           "misfire_codes": (), "low": 75.0, "dead": 15.0}


def case(name: str, verdict: str, percents: tuple[float, ...], gauge: tuple[float, ...], *, half: float = 3.0,
         named: bool = True) -> Case:
    states = ["dead" if p < 15 else "low" if p < 75 else "watch" if p < 85 else "good" for p in percents]
    cylinders = tuple(CylinderSaid(c if named else None, p, (max(0.0, p - half), min(100.0, p + half)), s)
                      for c, p, s in zip(ORDER, percents, states, strict=True)) if verdict != "none" else ()
    return Case(name, verdict, cylinders, ORDER, reference([[0.12 * g, 0.12 * g] for g in gauge]), True, True)


def test_what_is_counted_and_what_the_sentence_claims() -> None:
    even = (100.0, 98.0, 97.0, 99.0)
    cases = [case(f"even-{k}", "even", even, even) for k in range(57)]
    cases += [case("dead", "uneven", (100.0, 3.0, 97.0, 99.0), (100.0, 0.0, 98.0, 99.0)),
              case("low", "uneven", (100.0, 60.0, 97.0, 99.0), (100.0, 58.0, 98.0, 99.0)),
              case("border", "even", (100.0, 76.0, 97.0, 99.0), (100.0, 74.0, 98.0, 99.0)),
              case("refused", "none", even, even), case("at the limit", "limit", even, even)]
    found = validate(cases)
    v = found.verdicts
    assert (v.engines, v.clear, v.right, v.wrong, v.undecided, v.unanswered) == (62, 61, 59, 0, 1, 1)
    assert plain_sentence(v).startswith("59 clear engines without a wrong verdict show that fewer than 5 % are wrong")
    assert validation_headline(found) == "62 engines: no wrong verdict in 59 clear ones."
    assert (found.sensitivity.found, found.sensitivity.of) == (2, 3)
    assert (found.specificity.found, found.specificity.of) == (241, 241)


def test_a_wrong_verdict_and_a_misjudged_cylinder_are_named() -> None:
    healthy, low = (100.0, 98.0, 97.0, 99.0), (100.0, 98.0, 50.0, 99.0)
    found = validate([case("missed", "even", healthy, low), case("blamed", "uneven", (100.0, 40.0, 50.0, 99.0), low),
                      case("right", "uneven", low, low)])
    assert found.wrong == ("missed", "blamed")
    assert (found.verdicts.right, found.verdicts.wrong) == (2, 1)
    assert validation_headline(found).startswith("3 engines: one wrong verdict in 3 clear ones")


def test_bias_limits_and_slope_are_those_put_in() -> None:
    rng = np.random.default_rng(1)
    cases = []
    for k in range(60):
        true = np.array([100.0, *rng.uniform(20.0, 90.0, 3)])
        own = np.clip(0.95 * true + 1.0 + rng.normal(0.0, 2.0, 4), 0.0, 100.0)
        cases.append(case(f"c{k}", "uneven", tuple(own), tuple(true)))
    found = validate(cases)
    assert found.agreement.bias == pytest.approx(1.0 - 0.05 * 66.0, abs=0.6)
    assert found.line.slope == pytest.approx(0.95, abs=0.03)
    assert found.line.slope_interval[0] < 0.95 < found.line.slope_interval[1] < 1.0


def test_unnamed_cylinders_count_for_the_verdict_only() -> None:
    found = validate([case("a", "even", (100.0,) * 4, (100.0,) * 4, named=False)])
    assert not found.pairs
    assert (found.unnamed, found.verdicts.right) == (1, 1)


def test_the_largest_of_several_readings_is_not_taken_at_its_word() -> None:
    """Simulated, read with 2 %: six equal cylinders, and six that differ by 2 %. Cut off at 100, readings scaled by the
    truth would average 99.2 and 97.1; equal ones are read half a point low, as engines are expected to differ."""
    rng = np.random.default_rng(3)
    readings = 12.0 * (1.0 + 0.02 * rng.normal(size=(2000, 6, 1)))
    naive = np.mean([100.0 * r.mean() / r.max() for r in readings])
    own = np.mean([reference(r).percent.mean() for r in readings[:500]])
    assert naive < 97.7
    assert 98.4 < own < 99.3
    true = 12.0 * (1.0 + 0.02 * rng.normal(size=(1000, 6, 1)))
    best = np.mean([np.minimum(100.0, 100.0 * r / t.max()).mean() for r, t in zip(
        true + 0.24 * rng.normal(size=true.shape), true, strict=True)])
    own = np.mean([reference(t + 0.24 * rng.normal(size=t.shape)).percent.mean() for t in true])
    assert own == pytest.approx(best, abs=0.4)


def test_tables_of_readings_are_read_with_units_repeats_and_wet_ones(tmp_path: Path) -> None:
    table = tmp_path / "gauge.csv"
    table.write_text("file,cylinder,pressure,unit,condition,rpm,by,blind,seal\n"
                     "a.csv.gz,1,175,psi,dry,260,A,yes,3f9a-12bc-77d0-4e21\na.csv.gz,1,1210,kPa,dry,262,A,yes,\n"
                     "a.csv.gz,2,12.1,bar,dry,,A,yes,\na.csv.gz,2,13,bar,wet,,A,yes,\nb,1,0,bar,,,,no,\n")
    sheets = read_gauge(table)
    a = sheets["a"]
    assert a.dry[1] == pytest.approx((12.066, 12.1), abs=1e-3)
    assert (a.wet, a.rpm, a.blind, a.seal) == ({2: (13.0,)}, 261.0, True, "3f9a-12bc-77d0-4e21")
    assert (sheets["b"].dry, sheets["b"].blind) == ({1: (0.0,)}, False)
    semicolons = tmp_path / "comma.csv"
    semicolons.write_text("file;cylinder;pressure;unit\na;1;12,1;bar\n")
    assert read_gauge(semicolons)["a"].dry == {1: (12.1,)}


@pytest.mark.parametrize(("text", "says"), [
    ("file,cylinder,pressure\na,1,2\n", "unit is missing"), ("file,cylinder,pressure,unit,owner\n", "owner"),
    ("file,cylinder,pressure,unit\na,0,12,bar\n", "isn't a cylinder number"),
    ("file,cylinder,pressure,unit\na,1,12,atm\n", "isn't a unit of pressure"),
    ("file,cylinder,pressure,unit\na,1,175,bar\n", "from 0 to 80 bar"),
    ("file,cylinder,pressure,unit\na,1,nan,bar\n", "from 0 to 80 bar"),
    ("file,cylinder,pressure,unit\na,1\n", "line 2"), ("file,cylinder,pressure,unit\n", "no readings"),
    ("file,cylinder,pressure,unit,blind\na,1,12,bar,perhaps\n", "perhaps"), ("", "missing")])
def test_mistakes_in_a_table_of_readings_are_one_sentence(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "gauge.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=says) as told:
        read_gauge(path)
    assert "gauge.csv" in str(told.value)
    assert "\n" not in str(told.value)


def test_toml_readings(tmp_path: Path) -> None:
    path = tmp_path / "crank-07.gauge.toml"
    path.write_text('format = "crankfold.gauge/1"\nunit = "psi"\nblind = true\n[readings]\n1 = [175, 174]\n2 = 171\n')
    sheet = read_gauge(path)["crank-07"]
    assert len(sheet.dry[1]) == 2
    assert sheet.blind
    path.write_text('format = "crankfold.gauge/1"\nunit = "psi"\nname = "x"\n[readings]\n1 = 2\n')
    with pytest.raises(InputError, match="name cannot be used"):
        read_gauge(path)


def test_a_seal_holds_until_anything_that_matters_changes(uneven_result: Result) -> None:
    data = json.loads(result_text(uneven_result))
    seal = seal_of(data, "crank.json")
    assert holds(seal, {**data, "headline": "another", "next": []})
    assert same_code(seal["code"], data)
    assert seal["code"] == code_of(digest_of(data))
    changed = json.loads(result_text(uneven_result))
    changed["cylinders"][0]["relative_percent"] += 0.0001
    assert not holds(seal, changed)
    assert not same_code(seal["code"], changed)
    assert not same_code("3f9a", data)


def bundled(capture: Capture, **more: object) -> bytes:
    gauge = GaugeSheet(GOOD, rpm=262.0, by="Ingrid Holm", blind=True)
    return make_bundle(capture, question_of(OPTIONS), gauge, licence="CC0-1.0", **more)


def test_a_bundle_holds_what_is_listed_and_nothing_personal(tmp_path: Path, dead_three: Capture,
                                                            uneven_result: Result) -> None:
    data = result_data(uneven_result)
    content = bundled(dead_three, note="harbour pump, warm", result=data, seal=seal_of(data, "ingrid-holm.json"))
    assert content == bundled(dead_three, note="harbour pump, warm", result=data, seal=seal_of(data, "x.json"))
    path = tmp_path / f"a{BUNDLE_SUFFIX}"
    path.write_bytes(content)
    with zipfile.ZipFile(path) as archive:
        assert archive.namelist() == ["bundle.toml", "capture.h5", "gauge.toml", "result.json", "seal.json"]
        every = b"".join(archive.read(name) for name in archive.namelist())
    for word in (b"Ingrid", b"Holm", b"ingrid", str(dead_three.origin).encode(), b"started"):
        assert word not in every
    back = read_bundle(path)
    assert back.gauge.dry[3] == (0.1, 0.1)
    assert (back.gauge.by, back.gauge.blind, back.licence) == ("A", True, "CC0-1.0")
    assert holds(back.seal, back.result)
    assert back.options["sync"] == "waste-spark:1"


def test_a_channel_that_is_named_after_somebody_is_renamed_with_its_sync(tmp_path: Path, dead_three: Capture) -> None:
    own = replace(dead_three, channels=(dead_three.channels[0], replace(dead_three.channels[1], name="ingrids clip")))
    content = make_bundle(own, question_of({**OPTIONS, "sync": "waste-spark:1@ingrids clip"}), GaugeSheet(GOOD),
                          licence="CC0-1.0")
    path = tmp_path / f"a{BUNDLE_SUFFIX}"
    path.write_bytes(content)
    back = read_bundle(path)
    assert back.options["sync"] == "waste-spark:1@channel2"
    assert b"ingrid" not in back.capture_image
    assert b"channel2" in back.capture_image


@pytest.mark.parametrize("note", ["call 030 123 4567", "ask shop@harbour.example", "number WVWZZZ1JZXW000001",
                                  "stood at 53.5511, 9.9937", "from /home/ingrid/cranks", "www.harbour.example"])
def test_what_is_personal_is_refused(dead_three: Capture, note: str) -> None:
    assert personal(note)
    with pytest.raises(InputError, match="something personal"):
        bundled(dead_three, note=note)


def test_damaged_and_strange_bundles_are_one_sentence_each(tmp_path: Path, dead_three: Capture) -> None:
    good = bundled(dead_three)
    path = tmp_path / f"a{BUNDLE_SUFFIX}"
    for content in (b"", good[:300], b"PK\x05\x06" + bytes(18)):
        path.write_bytes(content)
        with pytest.raises(InputError, match=BUNDLE_SUFFIX):
            read_bundle(path)
    other = io.BytesIO(good)
    with zipfile.ZipFile(other, "a") as archive:
        archive.writestr("../evil.sh", "x")
    path.write_bytes(other.getvalue())
    with pytest.raises(InputError, match="doesn't belong in a bundle"):
        read_bundle(path)


def test_the_whole_way_from_a_capture_to_the_comparison(in_process, dead_csv: Path, tmp_path: Path) -> None:
    """Analyse, seal, gauge, bundle, validate: by files, and by what was given away."""
    crankfold = in_process
    asked = ("--firing-order", "1-3-4-2", "--sync", "waste-spark:1")
    assert crankfold("analyse", dead_csv, *asked, "--json", "dead.json").returncode == 0
    sealed = crankfold("validate", "--seal", "dead.json")
    code = sealed.stdout.split("dead.json: ")[1].split()[0]
    assert crankfold("validate", "--seal", "dead.json").returncode == 2
    rows = "".join(f"dead,{c},{bar},bar,dry,262,A,yes,{code}\n" for c, bars in GOOD.items() for bar in bars)
    head = "file,cylinder,pressure,unit,condition,rpm,by,blind,seal\n"
    (crankfold.folder / "gauge.csv").write_text(head + rows)
    done = crankfold("validate", "dead.json", "--gauge", "gauge.csv", "--json", "-")
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)
    assert data["verdicts"]["right"] == data["sealed"] == data["blind"] == 1
    assert [round(c["gauge_percent"]) for c in data["cylinders"] if c["cylinder"] == 3] == [1]
    made = crankfold("bundle", dead_csv, *asked, "--readings", "gauge.csv", "--result", "dead.json", "--licence",
                     "CC0-1.0", "--consent", "--out", f"dead{BUNDLE_SUFFIX}")
    assert made.returncode == 0, made.stderr
    for again in ((), ("--again",)):
        done = crankfold("validate", f"dead{BUNDLE_SUFFIX}", "--json", "-", *again)
        told = json.loads(done.stdout)
        assert told["verdicts"]["right"] == 1
        assert told["sealed"] == 1
    changed = json.loads((crankfold.folder / "dead.json").read_text())
    changed["cylinders"][0]["relative_percent"] = 50.0
    (crankfold.folder / "dead.json").write_text(json.dumps(changed))
    refused = crankfold("validate", "dead.json", "--gauge", "gauge.csv")
    assert refused.returncode == 3
    assert "isn't the one that was sealed" in refused.stderr


def test_pictures_and_protocol_are_written(in_process, tmp_path: Path) -> None:
    crankfold = in_process
    good = (100.0, 98.0, 97.0, 99.0)
    for k in range(4):
        made = case(f"e{k}", "even", good, good)
        cylinders = [{"position": n + 1, "cylinder": c.cylinder, "relative_percent": c.percent, "state": c.state,
                      "interval_percent": list(c.interval)} for n, c in enumerate(made.cylinders)]
        (crankfold.folder / f"e{k}.json").write_text(json.dumps({
            "format": "crankfold.result/1", "verdict": "even", "cylinders": cylinders,
            "engine": {"firing_order": list(ORDER)}}))
        (crankfold.folder / f"e{k}.gauge.toml").write_text(
            'format = "crankfold.gauge/1"\nunit = "bar"\n[readings]\n1 = 12\n3 = 5\n4 = 12\n2 = 12\n')
    done = crankfold("validate", ".", "--picture", "v.svg")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("4 engines: 4 wrong verdicts in 4 clear ones.")
    assert "Wrong: e0, e1, e2 and e3." in done.stdout
    assert "e0: cylinder 3 reads 98 %, gauge 42 %" in (crankfold.folder / "v.svg").read_text()
    assert crankfold("validate", "--protocol", "page.html").returncode == 0
    page = (crankfold.folder / "page.html").read_text()
    assert page.count("<li>") == 9 + 10
    assert "Eye protection" in page


def test_usage_mistakes_are_one_line(in_process) -> None:
    for arguments in (("validate",), ("validate", "nowhere"), ("validate", "."), ("validate", "--seal", "x.json"),
                      ("validate", "--protocol", "p.txt")):
        done: subprocess.CompletedProcess[str] = in_process(*arguments)
        assert done.returncode == 2
        assert len(done.stderr.strip().splitlines()) == 1
