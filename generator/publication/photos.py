"""Photos as the site shows them: turned upright, no larger than a page needs, with nothing in them but the picture.

Cameras write where and when a picture was taken, and on what, into the file. None of it is published.
The season's own file is never changed.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from generator.intake.problems import Problem
from generator.intake.session import Season
from generator.publication import navigation

# Largest photo that is read; common cameras stay below. Limits time and memory, not taste.
MOST_BYTES = 50_000_000
MOST_PIXELS = 120_000_000
LONGEST_SIDE = 1600  # pixels: sharp on a phone and a laptop, a few hundred kilobytes
FORMATS = ("JPEG", "PNG", "WEBP")
JPEG_QUALITY = 85


# Exif 2.3, tag Orientation: how the picture is turned to stand upright; 1 and what is unknown stays
UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180, 4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE, 6: Image.Transpose.ROTATE_270, 7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}  # fmt: skip


class PhotoRefused(ValueError):
    """A photo cannot be published; carries what is wrong and the remedy."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what)
        self.what = what
        self.remedy = remedy


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A photo that can be published. width, height: as it will be shown, in pixels."""

    file: Path
    width: int
    height: int


def read_photo(file: Path) -> Photo:
    """Size of a photo once upright and cut down to what a page needs; only the head of the file is read.

    Raises  PhotoRefused
    """
    with _opened(file) as image:
        turned = _orientation(image) in (5, 6, 7, 8)  # a quarter turn
        width, height = reversed(image.size) if turned else image.size
    factor = min(1.0, LONGEST_SIDE / max(width, height))
    return Photo(file=file, width=max(1, round(width * factor)), height=max(1, round(height * factor)))


def published(photo: Photo) -> bytes:
    """The photo as the site holds it, in its own format, without anything the camera wrote beside the picture.

    Raises  PhotoRefused where the file ends too early or holds something else than its head says
    """
    with _opened(photo.file) as image:
        try:
            kind = str(image.format)
            turn = UPRIGHT.get(_orientation(image))
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                upright = image.transpose(turn) if turn is not None else image
                shown = upright.resize((photo.width, photo.height), Image.Resampling.LANCZOS)
        except Exception as error:  # a damaged file makes the readers of three formats fail in every way
            what = f"cannot be read as a photo: {' '.join(str(error).split())[:100]}."
            raise PhotoRefused(what, "Save it anew from an image program.") from None
        bare = Image.new(shown.mode, shown.size)
        bare.paste(shown)
        if shown.mode == "P":
            bare.putpalette(shown.getpalette() or [])
        if kind == "JPEG" and bare.mode not in ("RGB", "L"):
            bare = bare.convert("RGB")
        out = io.BytesIO()
        options = {"quality": JPEG_QUALITY} if kind in ("JPEG", "WEBP") else {}
        bare.save(out, format=kind, **options)
    return out.getvalue()


def _orientation(image: Image.Image) -> int:
    """How the camera says that the picture lies; 1 where what it says cannot be read."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = image.getexif().get(0x0112, 1)
    except Exception:  # the picture itself may be sound
        return 1
    return found if isinstance(found, int) else 1


def readable(files: Iterable[Path]) -> tuple[dict[str, Photo], dict[str, PhotoRefused]]:
    """Photos by file name, and what is wrong with those that cannot be published."""
    photos: dict[str, Photo] = {}
    refused: dict[str, PhotoRefused] = {}
    for file in files:
        try:
            photos[file.name] = read_photo(file)
        except PhotoRefused as fault:
            refused[file.name] = fault
    return photos, refused


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoBlock:
    """A photo on a page: link to its copy, size, what it shows."""

    src: str
    width: int
    height: int
    alt: str


def photos_of_things(season: Season) -> tuple[dict[str, Photo], list[Problem]]:
    """Path on the site -> photo of a part or rig that names one; and those that cannot be published."""
    photos: dict[str, Photo] = {}
    problems: list[Problem] = []
    things = [("parts", part.id, part.photo) for part in season.parts.values()]
    things += [("rigs", rig.id, rig.photo) for rig in season.rigs.values()]
    for kind, id_, name in sorted(thing for thing in things if thing[2]):
        shown = f"{season.folder}/{kind}/{id_}.yaml"
        if Path(str(name)).name != name or "\\" in name:
            remedy = f"Put the picture beside the file, in {kind}/, and write its name alone."
            problems.append(
                Problem(file=shown, key="photo", what=f"'{name}' is no file name.", remedy=remedy)
            )
            continue
        try:
            photos[navigation.thing_photo(kind, id_, name)] = read_photo(Path(season.folder) / kind / name)
        except PhotoRefused as fault:
            problems.append(
                Problem(file=shown, key="photo", what=f"'{name}' {fault.what}", remedy=fault.remedy)
            )
    return photos, problems


def photo_block(
    photos: Mapping[str, Photo], kind: str, id_: str, name: str | None, label: str, page: str
) -> PhotoBlock | None:
    """The photo of a part or rig on the page `page`, or None where it has none."""
    path = navigation.thing_photo(kind, id_, name) if name else ""
    photo = photos.get(path)
    if photo is None:
        return None
    src = navigation.link(page, path)
    return PhotoBlock(src=src, width=photo.width, height=photo.height, alt=f"Photo: {label}")


def _opened(file: Path) -> Image.Image:
    try:
        there, size = not file.is_symlink() and file.is_file(), file.stat().st_size if file.is_file() else 0
    except (OSError, ValueError):  # a name that no disk takes
        there, size = False, 0
    if not there:
        raise PhotoRefused("is a link or no file.", "Put the photo itself there.")
    if size > MOST_BYTES:
        raise PhotoRefused(f"is larger than {MOST_BYTES / 1e6:.0f} MB.", "Save it smaller.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image = Image.open(file, formats=FORMATS)
    except Exception:  # a damaged head makes the readers of three formats fail in every way
        raise PhotoRefused(
            "is no photo in JPEG, PNG or WebP, or is far too large.", "Save it as JPEG from an image program."
        ) from None
    width, height = image.size
    if width * height > MOST_PIXELS:
        image.close()
        raise PhotoRefused(f"has {width} × {height} pixels, too many to publish.", "Save it smaller.")
    return image
