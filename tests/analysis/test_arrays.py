"""Arrays of any kind: used, or refused in a sentence; nothing is dropped in silence."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd
import pytest

from crankfold.analysis import Capture, CrankfoldError, Engine, Gap, analyse

VALUES = [0.0, 150.0, 148.0, 151.0]


class Described:
    """What describes itself as an array, as xarray's DataArray does."""

    def __array__(self, dtype: Any = None, copy: Any = None) -> Any:
        return np.array(VALUES, dtype)


def read_only() -> Any:
    made = np.array(VALUES)
    made.flags.writeable = False
    return made


@pytest.mark.parametrize("given", [
    VALUES, tuple(VALUES), np.array(VALUES, np.float32), np.array(VALUES, np.int16), np.array(VALUES, np.uint8),
    np.array(VALUES, ">f8"), np.repeat(VALUES, 3)[::3], np.array(VALUES)[::-1][::-1], read_only(),
    np.array(VALUES, object), [Decimal(150) if v == 150.0 else v for v in VALUES], [Fraction(int(v)) for v in VALUES],
    pd.Series(VALUES), pd.Series(VALUES, index=[5, 3, 2, 9]), pd.array([0, 150, 148, 151], "Int64"), Described(),
    memoryview(np.array(VALUES)), range(4)])
def test_numbers_of_any_kind_are_used(given: Any) -> None:
    capture = Capture.from_arrays(given, rate_hz=1000.0)
    wanted = [0.0, 1.0, 2.0, 3.0] if isinstance(given, range) else VALUES
    assert capture.samples[:, 0].tolist() == wanted
    assert capture.gaps == ()


@pytest.mark.parametrize("given", [
    np.ma.masked_array(VALUES, [False, True, False, False]), [0.0, None, 148.0, 151.0],
    [0.0, float("nan"), 148.0, 151.0],
    pd.Series([0.0, None, 148.0, 151.0]), pd.array([0, None, 148, 151], "Int64")])
def test_what_is_masked_or_missing_is_lost_and_no_number(given: Any) -> None:
    capture = Capture.from_arrays(given, rate_hz=1000.0)
    assert capture.gaps == (Gap(1, 1),)
    assert np.isnan(capture.samples[1, 0])
    assert capture.samples[2:, 0].tolist() == [148.0, 151.0]


@pytest.mark.parametrize("given", [
    np.array(VALUES, complex), [1.0, 2j], "150", b"150", None, ["1", "2"], [[1.0], [1.0, 2.0]], [{}], object(), {},
    np.array(["2031-05-04"], "datetime64[D]"), [1e300], [10**400], np.zeros((2, 2, 2)), 5.0])
def test_what_is_no_row_of_numbers_is_one_sentence(given: Any) -> None:
    with pytest.raises(CrankfoldError) as error:
        Capture.from_arrays(given, rate_hz=1000.0)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("rate", ["1000", None, True, 0.0, -1.0, float("nan"), 1j, [1000.0]])
def test_what_is_no_rate_is_one_sentence(rate: Any) -> None:
    with pytest.raises(CrankfoldError, match="rate"):
        Capture.from_arrays(VALUES, rate_hz=rate)


@pytest.mark.parametrize("facts", [
    {"channels": "current"}, {"channels": ("current",)}, {"trigger_index": 0.5}, {"trigger_index": "0"}])
def test_what_is_no_capture_is_one_sentence(facts: dict[str, Any]) -> None:
    whole = Capture.from_arrays(VALUES, rate_hz=1000.0)
    with pytest.raises(CrankfoldError):
        Capture(whole.samples, 1000.0, **{"channels": whole.channels, **facts})


@pytest.mark.parametrize(("capture", "engine"), [
    ([1.0, 2.0], Engine((1, 2))), (None, Engine((1, 2))), ("file.csv", Engine((1, 2))),
    (Capture.from_arrays(VALUES, rate_hz=1000.0), "1-3-4-2"), (Capture.from_arrays(VALUES, rate_hz=1000.0), None)])
def test_analyse_refuses_what_it_cannot_use_in_a_sentence(capture: Any, engine: Any) -> None:
    with pytest.raises(CrankfoldError) as error:
        analyse(capture, engine)
    assert "\n" not in str(error.value)
