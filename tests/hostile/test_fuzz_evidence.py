"""Files of strangers: gauge readings, bundles, results, seals and tooth times are read, or refused in a sentence."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crankfold.acquire import AcquireError
from crankfold.analysis import InputError, Wheel
from crankfold.viewer.evidence import BUNDLE_SUFFIX, RESULT_FORMAT, cases_of, read_bundle, read_gauge, read_json
from crankfold.viewer.session import read_motion

TOML = b'format = "crankfold.gauge/1"\nunit = "psi"\nrpm = 260\nblind = true\n[readings]\n1 = [175, 174]\n2 = 171\n'
CSV = b"file,cylinder,pressure,unit,rpm,blind\na,1,175,psi,260,yes\na,2,12.1,bar,,no\n"
CARD = (b'format = "crankfold.bundle/1"\nlicence = "CC0-1.0"\nconsent = true\n[engine]\nfiring_order = "1-2"\n'
        b'strokes = 4\n[rig]\nsync = "none"\n')
RESULT = json.dumps({"format": RESULT_FORMAT, "verdict": "even", "engine": {"firing_order": [1, 2]}, "cylinders": [
    {"position": k, "cylinder": k, "relative_percent": 99.0, "interval_percent": [95, 100], "state": "good"}
    for k in (1, 2)]}).encode()
TEETH = "\n".join(["time (us)", *(f"{t:.0f}" for t in 5000.0 * np.arange(150))]).encode()
OFTEN = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def bundle(**members: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in members.items():
            archive.writestr(name.replace("_", "."), content)
    return out.getvalue()


def changed(content: bytes) -> st.SearchStrategy[bytes]:
    """Return the content with some bytes replaced, left out or put in."""
    cut = st.tuples(st.integers(0, len(content)), st.integers(0, 12), st.binary(max_size=12))
    return st.lists(cut, min_size=1, max_size=4).map(lambda cuts: _cut(content, cuts))


def _cut(content: bytes, cuts: list[tuple[int, int, bytes]]) -> bytes:
    for at, length, new in cuts:
        content = content[:at] + new + content[at + length :]
    return content


def read_or_refused(read: Callable[[Path], object], path: Path, content: bytes) -> None:
    path.write_bytes(content)
    try:
        read(path)
    except (InputError, AcquireError) as error:
        assert "\n" not in str(error).strip()
        assert len(str(error)) < 1500


@OFTEN
@given(content=st.one_of(st.binary(max_size=300), changed(TOML)))
def test_gauge_toml(tmp_path: Path, content: bytes) -> None:
    read_or_refused(read_gauge, tmp_path / "a.gauge.toml", content)


@OFTEN
@given(content=st.one_of(st.binary(max_size=300), changed(CSV)))
def test_gauge_csv(tmp_path: Path, content: bytes) -> None:
    read_or_refused(read_gauge, tmp_path / "a.csv", content)


@OFTEN
@given(content=st.one_of(st.binary(max_size=300), changed(TEETH)))
def test_tooth_times(tmp_path: Path, content: bytes) -> None:
    read_or_refused(lambda path: read_motion(path, Wheel(60, 2)), tmp_path / "t.csv", content)
    read_or_refused(lambda path: read_motion(path, None), tmp_path / "t.csv", content)


@OFTEN
@given(card=changed(CARD), gauge=changed(TOML))
def test_bundles(tmp_path: Path, card: bytes, gauge: bytes) -> None:
    path = tmp_path / f"a{BUNDLE_SUFFIX}"
    read_or_refused(read_bundle, path, bundle(bundle_toml=card, gauge_toml=TOML, capture_h5=b"x"))
    read_or_refused(read_bundle, path, bundle(bundle_toml=CARD, gauge_toml=gauge, capture_h5=b"x"))


@OFTEN
@given(cut=st.integers(0, 400), new=st.binary(max_size=8))
def test_archives(tmp_path: Path, cut: int, new: bytes) -> None:
    whole = bundle(bundle_toml=CARD, gauge_toml=TOML, capture_h5=b"x")
    read_or_refused(read_bundle, tmp_path / f"a{BUNDLE_SUFFIX}", whole[:cut] + new + whole[cut + len(new) :])


@OFTEN
@given(content=changed(RESULT))
def test_results_that_are_compared(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.json"
    (tmp_path / "a.gauge.toml").write_bytes(TOML)
    read_or_refused(lambda p: read_json(p, RESULT_FORMAT), path, content)
    for found in cases_of([path], {}, again=False, plugins=None):
        assert found is not None


@pytest.mark.parametrize("number", ["NaN", "Infinity", "1e999"])
def test_a_number_that_is_none_is_left_out_and_harms_no_other(tmp_path: Path, number: str) -> None:
    (tmp_path / "a.json").write_bytes(RESULT.replace(b"99.0", number.encode(), 1))
    (tmp_path / "b.json").write_bytes(RESULT)
    for name in "ab":
        (tmp_path / f"{name}.gauge.toml").write_bytes(TOML)
    left, found = cases_of([tmp_path / "a.json", tmp_path / "b.json"], {}, again=False, plugins=None)
    assert "a" in left.why
    assert found.case.name == "b"


def test_a_bundle_that_unpacks_to_more_than_it_may_is_refused(tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bundle.toml", b"#" * 50_000_000)
    path = tmp_path / f"a{BUNDLE_SUFFIX}"
    path.write_bytes(out.getvalue())
    with pytest.raises(InputError, match="too large"):
        read_bundle(path)
