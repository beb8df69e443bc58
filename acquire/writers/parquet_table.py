"""A capture as a Parquet table: time and values as float64, everything else as metadata of the file and the fields."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.acquire.writers.rows import kept_rows, started_text

if TYPE_CHECKING:
    from crankfold.analysis import Capture, Channel


def image(capture: Capture) -> tuple[bytes, list[str]]:
    """Return the bytes of the file; nothing is lost."""
    import pyarrow as pa
    from pyarrow import parquet

    rows = kept_rows(capture)
    fields = [pa.field("time", pa.float64(), metadata={"unit": "s"}),
              *(pa.field(channel.name, pa.float64(), metadata=_about(channel)) for channel in capture.channels)]
    about = {**capture.notes, "rate_hz": repr(capture.rate_hz), "started_utc": started_text(capture),
             "origin": capture.origin,
             "trigger_index": "" if capture.trigger_index is None else str(capture.trigger_index)}
    schema = pa.schema(fields, metadata={key: text for key, text in about.items() if text})
    columns = [pa.array(rows / capture.rate_hz), *(pa.array(values[rows]) for values in capture.samples.T)]
    sink = pa.BufferOutputStream()
    parquet.write_table(pa.Table.from_arrays(columns, schema=schema), sink, compression="zstd")
    return bytes(sink.getvalue()), []


def _about(channel: Channel) -> dict[str, str]:
    about = {"unit": channel.unit, "scale": repr(channel.scale), "offset": repr(channel.offset),
             "code_dtype": channel.code_dtype}
    if channel.code_range is not None:
        about["code_range"] = "{} {}".format(*channel.code_range)
    return about
