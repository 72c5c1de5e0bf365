"""The lines under a session's answer that say what to know before relying on it."""

from types import SimpleNamespace

from generator.publication.navigation import anchor
from generator.publication.session_page import careful_links


def check(name: str, css_class: str, outcome: str, wrong: str) -> SimpleNamespace:
    return SimpleNamespace(key=anchor("check", name), css_class=css_class, outcome=outcome, wrong=wrong)


def test_failed_and_weakening_checks_and_raised_cautions_are_told_once_each() -> None:
    checks = [
        check("a", "failed", "fails", "the thrust differs"),
        check("b", "failed", "fails", "the thrust differs"),
        check("c", "warned", "warns", "a zero drifted"),
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
        ("The thrust differs", f"#{anchor('check', 'a')}"),
        ("A zero drifted", f"#{anchor('check', 'c')}"),
        ("Caution: hot enough to burn skin", "#caution-hot"),
        ("Notice: the pack was cold", "#caution-stated-1"),
    ]


def test_what_the_tester_states_is_not_told_twice() -> None:
    """Nor does it come before what was raised, whatever its signal word."""

    def stated(number: int, words: str) -> SimpleNamespace:
        return SimpleNamespace(key=f"caution-stated-{number}", signal="WARNING", title="The tester adds", hazard=words,
                               consequence="", avoidance="")  # fmt: skip

    cells = SimpleNamespace(key="caution-cells", signal="CAUTION", title="More cells than the motor is rated for",
                            consequence="It burns.")  # fmt: skip
    again = stated(1, "The motor was run above the number of cells it is rated for.")
    found = careful_links([], [], [again, stated(2, "The loft is a closed room."), cells])  # type: ignore[list-item]
    assert [link.text for link in found] == [
        "Caution: more cells than the motor is rated for",
        "Warning: the loft is a closed room",
    ]


def test_nothing_to_be_careful_of_gives_no_line() -> None:
    assert careful_links([check("e", "passed", "passes", "Zero")], [], []) == ()  # type: ignore[list-item]
