"""What went wrong with a check is said in words of its own, for every check there is."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from generator.evidence.check_words import WRONG, known_wrong, name_of, went_wrong
from generator.evidence.records import Check
from generator.publication.texts import check_text

EVIDENCE = Path(__file__).parents[2] / "generator" / "evidence"


def check(id_: str, sentence: str = "", title: str = "A title") -> Check:
    return Check(id=id_, title=title, outcome="failed", sentence=sentence, threshold="", reason="", source="")


def ids_in_code() -> set[str]:
    """Beginnings of the ids that checks are made with; what is filled in ends them."""
    found: set[str] = set()
    for file in EVIDENCE.glob("*checks.py"):
        for text in re.findall(r'\bid(?:_)?=f?"([^"]+)"', file.read_text(encoding="utf-8")):
            found.add(text.partition("{")[0])
    return {text for text in found if text}


def test_every_check_says_what_went_wrong() -> None:
    ids = ids_in_code()
    assert len(ids) > 12, "the source is read as it is written"
    assert not [
        name
        for name in ids
        if not any(name.startswith(begins) or begins.startswith(name) for begins in WRONG)
    ]


@pytest.mark.parametrize(
    ("id_", "sentence", "words"),
    [
        ("same-thrust-10000rpm-f96", "96 kHz shows 173.8 gf, +4.8\u00a0% of 24 kHz, with the same propeller.",
         "the thrust differs by 4.8\u00a0% at the same speed with the same propeller"),
        ("rig-in-control", "The thrust of the check standard is 3.9\u00a0% below its baseline taken by itself.",
         "the rig reads its check standard 3.9\u00a0% below its baseline; doubt the amounts more than the percentages"),
        ("rig-in-control", "",
         "the rig reads its check standard away from its baseline; doubt the amounts more than the percentages"),
        ("not-known", "The sky fell. Then it rose.", "the sky fell"),
        ("not-known", "", "A title"),
    ],
)  # fmt: skip
def test_what_went_wrong_takes_its_number_from_the_check(id_: str, sentence: str, words: str) -> None:
    assert went_wrong(check(id_, sentence)) == words


def test_what_went_wrong_leads_and_the_name_of_the_check_stands_last() -> None:
    """A name alone says what should be so, the opposite of what was found."""
    made = check("zero-drift", "It moved by 3 gf.", "Thrust zero holds")
    assert check_text(made) == "A zero drifted: It moved by 3 gf (check: thrust zero holds, failed)."
    assert known_wrong(replace(made, outcome="passed")) == ""
    assert check_text(check("not-known", "It fell.")) == "A title (failed): It fell."
    assert name_of(check("kv-as-stated", title="KV as stated")) == "KV as stated"
