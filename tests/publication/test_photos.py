"""Photos lose what cameras write into them, stand upright, and cannot break a build."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from generator.publication import photos
from generator.publication.conclusion import conclusion_of
from generator.publication.photos import PhotoRefused, photos_of_things, published, read_photo, readable
from tests.publication.site_season import make_season

ORIENTATION, GPS, MAKE = 0x0112, 0x8825, 0x010F  # Exif 2.3, tables of TIFF and GPS tags


def photo(file: Path, size: tuple[int, int] = (60, 40), kind: str = "JPEG", turned: int = 1) -> Path:
    """A red picture with a blue left half, and everything in it that a camera writes."""
    image = Image.new("RGB", size, "red")
    image.paste("blue", (0, 0, size[0] // 2, size[1]))
    exif = Image.Exif()
    exif[ORIENTATION], exif[MAKE] = turned, "Invented camera"
    exif.get_ifd(GPS).update({1: "N", 2: (51.0, 28.0, 38.0), 3: "W", 4: (0.0, 0.0, 5.0)})
    image.save(file, kind, exif=exif)
    return file


@pytest.mark.parametrize(("name", "kind"), [("a.jpg", "JPEG"), ("a.png", "PNG"), ("a.webp", "WEBP")])
def test_nothing_but_the_picture_is_published(tmp_path: Path, name: str, kind: str) -> None:
    file = photo(tmp_path / name, kind=kind)
    before = file.read_bytes()
    with Image.open(file) as taken:
        assert taken.getexif().get_ifd(GPS), "the camera's file says where it was taken"
    made = Image.open(io.BytesIO(published(read_photo(file))))
    assert made.format == kind
    assert not made.getexif()
    assert {"exif", "comment", "xmp", "icc_profile"} & set(made.info) == set()
    assert b"Invented camera" not in published(read_photo(file))
    assert file.read_bytes() == before


def test_a_photo_stands_upright_without_the_note_that_said_so(tmp_path: Path) -> None:
    found = read_photo(photo(tmp_path / "a.jpg", (60, 40), turned=6))
    assert (found.width, found.height) == (40, 60)
    made = Image.open(io.BytesIO(published(found)))
    assert made.size == (40, 60)
    top, bottom = made.getpixel((20, 5)), made.getpixel((20, 55))
    assert isinstance(top, tuple)
    assert isinstance(bottom, tuple)
    assert top[2] > 200 > bottom[2], "what was left is above: a quarter turn to the right"


def test_large_photos_are_cut_down_and_absurd_ones_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = read_photo(photo(tmp_path / "a.jpg", (3200, 800)))
    assert (found.width, found.height) == (1600, 400)
    assert Image.open(io.BytesIO(published(found))).size == (1600, 400)
    monkeypatch.setattr(photos, "MOST_PIXELS", 100)
    with pytest.raises(PhotoRefused, match="too many"):
        read_photo(tmp_path / "a.jpg")
    monkeypatch.setattr(photos, "MOST_BYTES", 100)
    with pytest.raises(PhotoRefused, match="larger than"):
        read_photo(tmp_path / "a.jpg")


def test_what_is_no_photo_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_text("<svg onload=alert(1)>", encoding="utf-8")
    (tmp_path / "b.png").write_bytes(photo(tmp_path / "whole.png", kind="PNG").read_bytes()[:-40])
    (tmp_path / "c.jpg").symlink_to(tmp_path / "whole.png")
    found, refused = readable(tmp_path / name for name in ("a.jpg", "b.png", "c.jpg", "whole.png"))
    assert set(refused) == {"a.jpg", "c.jpg"}
    assert set(found) == {"b.png", "whole.png"}, "its head is whole"
    with pytest.raises(PhotoRefused, match="cannot be read"):
        published(found["b.png"])


def test_a_title_becomes_the_caption_and_the_size_is_stated(tmp_path: Path) -> None:
    given = make_season(tmp_path)
    text = '![The guard, closed](guard.jpg "The guard & its latch")\n\nInside ![it](guard.jpg) a line.\n\n![x](bad.jpg)'
    session = given.season.sessions[0].model_copy(
        update={"conclusion": text, "photos": ("bad.jpg", "guard.jpg"), "conclusion_path": "c.md"}
    )
    (tmp_path / "bad.jpg").write_bytes(b"")
    found, refused = readable([photo(tmp_path / "guard.jpg"), tmp_path / "bad.jpg"])
    made = conclusion_of(session, given.analyses[0], found, refused)
    assert '<figure class="photo"><img alt="The guard, closed"' in made.html
    assert "<figcaption>The guard &amp; its latch</figcaption></figure>" in made.html
    assert made.html.count('width="60" height="40"') == 2
    assert made.html.count("<figure") == 1
    assert made.photos == ("guard.jpg",)
    (problem,) = made.problems
    assert (problem.file, problem.line) == ("c.md", 5)


def test_parts_and_rigs_show_their_photo(tmp_path: Path, plain_charts: None) -> None:
    given = make_season(tmp_path / "season", small=True, kept=(1,), conclusion=None)
    season = given.season
    part, rig = next(iter(season.parts.values())), next(iter(season.rigs.values()))
    for name in ("parts", "rigs"):
        (tmp_path / "season" / name).mkdir(exist_ok=True)
    photo(tmp_path / "season/parts/one.jpg", turned=6)
    photo(tmp_path / "season/rigs/two.png", kind="PNG")
    shown = season.model_copy(
        update={
            "parts": {**season.parts, part.id: part.model_copy(update={"photo": "one.jpg"})},
            "rigs": {**season.rigs, rig.id: rig.model_copy(update={"photo": "two.png"})},
        }
    )
    replace(given, season=shown).write(tmp_path / "site")
    page = (tmp_path / f"site/parts/{part.id}.html").read_text(encoding="utf-8")
    assert f'<img src="photos/{part.id}.jpg" alt="Photo: {part.label}" width="40" height="60"' in page
    with Image.open(tmp_path / f"site/parts/photos/{part.id}.jpg") as made:
        assert not made.getexif()
    assert f'src="photos/{rig.id}.png"' in (tmp_path / f"site/rigs/{rig.id}.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["../one.jpg", "a/one.jpg", "nowhere.jpg", "/etc/passwd"])
def test_a_photo_that_leads_elsewhere_is_told_with_its_key(tmp_path: Path, name: str) -> None:
    season = make_season(tmp_path / "season", small=True, kept=(1,), conclusion=None).season
    part = next(iter(season.parts.values()))
    photo(tmp_path / "season/one.jpg")
    parts = {**season.parts, part.id: part.model_copy(update={"photo": name})}
    found, problems = photos_of_things(season.model_copy(update={"parts": parts}))
    assert found == {}
    (problem,) = problems
    assert problem.key == "photo"
    assert part.id in problem.file
