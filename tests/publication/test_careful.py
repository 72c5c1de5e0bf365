"""The lines under a session's answer that say what to know before relying on it."""

from types import SimpleNamespace

from generator.publication.navigation import anchor
from generator.publication.session_page import careful_links


def check(name: str, css_class: str, outcome: str, title: str) -> SimpleNamespace:
    return SimpleNamespace(key=anchor("check", name), css_class=css_class, outcome=outcome, title=title)


def test_failed_and_weakening_checks_and_raised_cautions_are_told_once_each() -> None:
    checks = [
        check("a", "failed", "fails", "Same thrust"),
        check("b", "failed", "fails", "Same thrust"),
        check("c", "warned", "warns", "Drift"),
        check("d", "warned", "warns", "Elsewhere"),
        check("e", "passed", "passes", "Zero"),
    ]
    hot = SimpleNamespace(
        key="caution-hot", signal="CAUTION", title="Hot enough to burn skin", consequence="It burns."
    )
    words = "The pack was cold. It was never charged so."
    stated = SimpleNamespace(key="caution-stated-1", signal="NOTICE", title="The tester adds", hazard=words,
                             consequence="", avoidance="")  # fmt: skip
    raised = [hot, stated]
    found = careful_links(checks, [SimpleNamespace(weakened_by=("c",))], raised)  # type: ignore[arg-type, list-item]
    assert [(link.text, link.href) for link in found] == [
        ("check fails: Same thrust", f"#{anchor('check', 'a')}"),
        ("check warns: Drift", f"#{anchor('check', 'c')}"),
        ("CAUTION: Hot enough to burn skin", "#caution-hot"),
        ("NOTICE: The pack was cold", "#caution-stated-1"),
    ]


def test_nothing_to_be_careful_of_gives_no_line() -> None:
    assert careful_links([check("e", "passed", "passes", "Zero")], [], []) == ()  # type: ignore[list-item]
