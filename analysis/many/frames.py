"""Captures and results in and out of xarray and pandas, for laboratories that live in them.

Both libraries are imported where they are used: nobody else needs them (``pip install 'crankfold[stand]'``).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.analysis.capture import Capture, Channel
from crankfold.analysis.errors import InputError
from crankfold.analysis.many.table import cylinder_rows, result_row

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from crankfold.analysis.result import Result

TIME, CHANNEL = "time", "channel"
EVEN = 1e-3  # of a step: how far the time axis may be from even


def to_xarray(capture: Capture) -> xr.Dataset:
    """Return a capture as a dataset: one variable a channel over ``time`` in seconds, each with its unit."""
    import xarray as xr

    time_s = np.arange(len(capture.samples)) / capture.rate_hz
    variables = {c.name: (TIME, capture.samples[:, k], {"units": c.unit}) for k, c in enumerate(capture.channels)}
    return xr.Dataset(variables, {TIME: (TIME, time_s, {"units": "s"})},
                      {"rate_hz": capture.rate_hz, "origin": capture.origin})


def from_xarray(data: xr.Dataset | xr.DataArray) -> Capture:
    """Return the capture of a dataset with a variable a channel, or of an array with a dimension ``channel``.

    Raises
    ------
    InputError
        There is no even time axis in seconds, or no channel.
    """
    if CHANNEL in data.dims:
        data = data.to_dataset(dim=CHANNEL)
    elif not hasattr(data, "data_vars"):
        data = data.to_dataset(name=str(data.name or "current"))
    if TIME not in data.coords:
        raise InputError("the dataset has no coordinate time; give one in seconds")
    names = [str(name) for name in data.data_vars if data[name].dims == (TIME,)]
    units = [str(data[name].attrs.get("units", "")) for name in names]
    return _capture(np.asarray(data[TIME], dtype=np.float64), {n: np.asarray(data[n]) for n in names}, units)


def to_pandas(capture: Capture) -> pd.DataFrame:
    """Return a capture as a data frame: a column a channel, the index time in seconds."""
    import pandas as pd

    index = pd.Index(np.arange(len(capture.samples)) / capture.rate_hz, name="time_s")
    return pd.DataFrame(np.array(capture.samples), index=index, columns=[c.name for c in capture.channels])


def from_pandas(frame: pd.DataFrame, units: Sequence[str] = ()) -> Capture:
    """Return the capture of a data frame whose index is time in seconds, its first column the current.

    Parameters
    ----------
    units
        Of the columns; amperes for the first and none for the others where they are not given.

    Raises
    ------
    InputError
        The index is no even time axis, or there is no column.
    """
    columns = {str(name): np.asarray(frame[name], dtype=np.float64) for name in frame.columns}
    told = list(units) or ["A", *[""] * (len(columns) - 1)]
    return _capture(np.asarray(frame.index, dtype=np.float64), columns, told)


def results_frame(results: Sequence[Result], *, by_cylinder: bool = False) -> pd.DataFrame:
    """Return results as a data frame: a row a result, or a row a cylinder with the result's number beside it."""
    import pandas as pd

    rows: list[dict[str, Any]]
    if by_cylinder:
        rows = [{"result": k, **row} for k, result in enumerate(results) for row in cylinder_rows(result)]
    else:
        rows = [dict(result_row(result)) for result in results]
    return pd.DataFrame(rows)


def _capture(time_s: np.ndarray[Any, Any], columns: dict[str, Any], units: Sequence[str]) -> Capture:
    if not columns or len(units) != len(columns):
        raise InputError(f"{len(columns)} channels and {len(units)} units: give one or more channels, "
                         "and a unit for each")
    step = np.diff(time_s)
    usual = float(step.mean()) if len(step) and np.isfinite(time_s).all() else 0.0
    if usual <= 0.0 or np.ptp(step) > EVEN * usual:
        raise InputError("time does not rise in even steps; give seconds at one sample rate, lost samples as NaN")
    channels = tuple(Channel(name, unit) for name, unit in zip(columns, units, strict=True))
    return Capture(np.column_stack(list(columns.values())), 1.0 / usual, channels, origin="frame")
