"""A bag as one zip file whose bytes depend on its content and name alone."""

from __future__ import annotations

import datetime
import shutil
import zipfile
from pathlib import Path

# Packed already: packing again costs time and gains nothing.
PACKED = {".gz", ".zst", ".parquet", ".png", ".jpg", ".jpeg", ".webp", ".zip"}
FIRST_DAY, LAST_DAY = datetime.date(1980, 1, 1), datetime.date(2107, 12, 31)  # that a zip file can tell
REGULAR_FILE = 0o100644
UNIX = 3


def write_zip(folder: Path, name: str, target: Path, date: datetime.date) -> None:
    """Pack a folder.

    name    of the one folder that the zip file holds (RFC 8493, 4: that of the zip file without its ending)
    target  the zip file, not there yet
    date    written as the time of every file, at midnight

    Names are sorted; time, permissions, and system are the same for all, whatever this machine says. Sizes are not
    limited, memory stays flat. What may differ between machines is how well zlib packs; the checksums inside do not.
    """
    day = min(max(date, FIRST_DAY), LAST_DAY)
    files = sorted(
        (file.relative_to(folder).as_posix(), file) for file in folder.rglob("*") if file.is_file()
    )
    with zipfile.ZipFile(target, "x") as packed:
        for path, file in files:
            entry = zipfile.ZipInfo(f"{name}/{path}", (day.year, day.month, day.day, 0, 0, 0))
            entry.create_system = UNIX
            entry.external_attr = REGULAR_FILE << 16
            entry.file_size = file.stat().st_size  # so that a large file gets the large form
            entry.compress_type = (
                zipfile.ZIP_STORED if file.suffix.lower() in PACKED else zipfile.ZIP_DEFLATED
            )
            with file.open("rb") as stream, packed.open(entry, "w") as copy:
                shutil.copyfileobj(stream, copy, 1 << 20)
    target.chmod(0o644)
