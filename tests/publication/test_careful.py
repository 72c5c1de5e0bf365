"""The lines under a session's answer that say what to know before relying on it."""

from types import SimpleNamespace

from generator.publication.careful import careful, careful_lines, first_of_each
from generator.publication.navigation import anchor


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
    raised = [stated, hot]
    found = careful_lines(checks, [SimpleNamespace(weakened_by=("c",))], raised)  # type: ignore[arg-type, list-item]
    assert [(line.kind, line.text, line.grade, line.href) for line in found] == [
        ("Doubt", "The thrust differs", "", f"#{anchor('check', 'a')}"),
        ("Doubt", "A zero drifted", "", f"#{anchor('check', 'c')}"),
        ("Danger", "Hot enough to burn skin", "caution", "#caution-hot"),
        ("Notice", "The pack was cold", "", "#caution-stated-1"),
    ]


def test_what_the_tester_states_is_not_told_twice() -> None:
    """Nor does it come before what was raised, whatever its signal word."""

    def stated(number: int, words: str) -> SimpleNamespace:
        return SimpleNamespace(key=f"caution-stated-{number}", signal="WARNING", title="The tester adds", hazard=words,
                               consequence="", avoidance="")  # fmt: skip

    cells = SimpleNamespace(key="caution-cells", signal="CAUTION", title="More cells than the motor is rated for",
                            consequence="It burns.")  # fmt: skip
    again = stated(1, "The motor was run above the number of cells it is rated for.")
    found = careful_lines([], [], [again, stated(2, "The loft is a closed room."), cells])  # type: ignore[list-item]
    assert [(line.kind, line.text, line.grade) for line in found] == [
        ("Danger", "More cells than the motor is rated for", "caution"),
        ("Danger", "The loft is a closed room", "warning"),
    ]


def test_two_of_each_kind_are_shown_in_turn_and_no_line_is_lost() -> None:
    checks = [check(name, "failed", "fails", f"wrong {name}") for name in "abc"]
    raised = [
        SimpleNamespace(key=f"caution-{n}", signal="DANGER", title=f"Danger {n}", consequence="It hurts.")
        for n in range(3)
    ]
    lines = careful_lines(checks, [], raised)  # type: ignore[arg-type]
    found = careful(lines)
    assert found is not None
    assert [line.text for line in found.shown] == ["Wrong a", "Danger 0", "Wrong b", "Danger 1"]
    assert [line.text for line in found.folded] == ["Wrong c", "Danger 2"]
    assert [line.text for line in first_of_each(lines)] == ["Wrong a", "Danger 0"]


def test_nothing_to_be_careful_of_gives_no_line() -> None:
    assert careful_lines([check("e", "passed", "passes", "Zero")], [], []) == ()  # type: ignore[list-item]
    assert careful(()) is None
