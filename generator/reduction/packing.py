"""Frames made small, for the way from one process to another and for the disk."""

from __future__ import annotations

import numpy as np
import pandas as pd
import zstandard

# names of the columns, number of rows, the columns one after the other as compressed 64-bit floats
Packed = tuple[tuple[str, ...], int, bytes]


def packed(frame: pd.DataFrame | None) -> Packed | pd.DataFrame | None:
    """A frame of floats with rows counted from 0, packed to the last bit; any other as it is."""
    if frame is None or not _plain(frame):
        return frame
    columns = [np.ascontiguousarray(frame[name].to_numpy()) for name in frame.columns]
    body = zstandard.ZstdCompressor(level=1).compress(b"".join(column.tobytes() for column in columns))
    return tuple(str(name) for name in frame.columns), len(frame), body


def unpacked(what: Packed | pd.DataFrame | None) -> pd.DataFrame | None:
    """What `packed` was given."""
    if not isinstance(what, tuple):
        return what
    names, rows, body = what
    values = np.frombuffer(zstandard.ZstdDecompressor().decompress(body), dtype=np.float64)
    return pd.DataFrame(
        {name: values[place * rows :][:rows].copy() for place, name in enumerate(names)},
        index=pd.RangeIndex(rows),
    )


def _plain(frame: pd.DataFrame) -> bool:
    counted = isinstance(frame.index, pd.RangeIndex) and frame.index.start == 0 and frame.index.step == 1
    named = frame.columns.is_unique and all(isinstance(name, str) for name in frame.columns)
    floats = all(kind == np.float64 for kind in frame.dtypes)
    return counted and named and floats and len(frame.columns) > 0 and len(frame) > 0 and not frame.attrs
