"""Conclusions: numbers from the results, and nothing else that runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from generator.publication.conclusion import Conclusion, conclusion_of
from tests.publication.site_season import Given, make_season


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> Given:
    return make_season(tmp_path_factory.mktemp("conclusion"), small=True, kept=range(1, 13), repeats=4)


def read(given: Given, source: str) -> Conclusion:
    session = given.season.sessions[0].model_copy(update={"conclusion": source})
    return conclusion_of(session, given.analyses[0])


def words(conclusion: Conclusion) -> str:
    return " ".join(conclusion.html.striptags().replace("\u00a0", " ").split())


# The factory's invented values: 262.4 W and 270.3 W, +7.9 W (6.1 to 9.7 W), margin 2 %.
@pytest.mark.parametrize(
    ("call", "text"),
    [
        ("value('electrical_power', 'four-cell', speed_rpm=16000)", "262.40 W"),
        ("difference('electrical_power', 'five-cell', speed_rpm=16000)", "7.9 W more"),
        ("difference('rise_time', 'five-cell', speed_rpm=16000)", "18.3 ms less"),
        ("relative('electrical_power', 'five-cell', speed_rpm=16000)", "3.0 % more"),
        ("interval('electrical_power', 'five-cell', speed_rpm=16000)", "6.1 to 9.7 W more"),
        ("verdict('electrical_power', 'five-cell', speed_rpm=16000)", "more"),
        ("verdict('temperature_rise', 'five-cell')", "not settled"),
    ],
)
def test_functions(given: Given, call: str, text: str) -> None:
    conclusion = read(given, f"It is {{{{ {call} }}}}, then.")
    assert conclusion.problems == ()
    assert words(conclusion) == f"It is {text}, then."
    assert 'class="carried"' in conclusion.html


def test_sentence_is_the_contrasts_own(given: Given) -> None:
    contrast = given.analyses[0].contrasts[0]
    conclusion = read(given, "{{ sentence('electrical_power', 'five-cell', speed_rpm=16000.0) }}")
    assert words(conclusion) == " ".join(contrast.sentence.split())


@pytest.mark.parametrize(
    ("source", "line", "what"),
    [
        ("a\n\n{{ value('thrust', 'five-cell') }}", 3, "holds for several conditions"),
        ("{{ value('thrust', 'five-cell', speed_rpm=12000) }}", 1, "was not measured at this condition"),
        ("{{ value('thrust', 'five-cell', rpm=12000) }}", 1, "'rpm' is not a condition"),
        ("{{ value('lift', 'five-cell') }}", 1, "'lift' is not a response"),
        ("{{ difference('thrust', 'four-cell', speed_rpm=9000) }}", 1, "is the baseline"),
        ("{{ value('thrust') }}", 1, "lacks an argument"),
        ("{{ }}", 1, "cannot be read"),
        ("a\n{{ value('thrust', 'five-cell'", 2, "is not closed"),
    ],
)
def test_failing_reference_tells_file_and_line(given: Given, source: str, line: int, what: str) -> None:
    problems = read(given, source).problems
    assert len(problems) == 1
    assert problems[0].file.endswith("cells/conclusion.md")
    assert problems[0].line == line
    assert what in problems[0].what
    assert problems[0].remedy


def test_all_failing_references_come_at_once(given: Given) -> None:
    problems = read(given, "{{ a() }}\n{{ b() }}\n{{ c() }}").problems
    assert [problem.line for problem in problems] == [1, 2, 3]


@pytest.mark.parametrize(
    "expression",
    [
        "''.__class__.__mro__[1].__subclasses__()",
        "value.__globals__",
        "value.__func__.__globals__['__builtins__']",
        "value('thrust', 'five-cell', speed_rpm=9000).__class__",
        "value|attr('__globals__')",
        "value('thrust'.__class__, 'x')",
        "self.__init__.__globals__",
        "cycler.__init__.__globals__.os.popen('id').read()",
        "lipsum.__globals__",
        "range(10**9)",
        "9**9**9",
        "'a' * 10**9",
        "[value][0]('thrust', 'five-cell', speed_rpm=9000)",
        "value(*['thrust', 'five-cell'])",
        "value(**{'response': 'thrust'})",
        "namespace()",
        "dict(a=1)",
        "(" * 300,
        "%} {% for i in 'ab' %} x {% endfor %} {{ 1",
    ],
)
def test_ways_out_of_the_sandbox_are_shut(given: Given, expression: str) -> None:
    conclusion = read(given, f"{{{{ {expression} }}}}")
    assert conclusion.problems
    assert "class '" not in conclusion.html
    assert "uid=" not in conclusion.html


def test_blocks_of_templates_are_only_text(given: Given) -> None:
    conclusion = read(given, "{% for i in 'abc' %}x{% endfor %} {# note #}")
    assert conclusion.problems == ()
    assert "{% for i in" in words(conclusion)
    assert "xxx" not in words(conclusion)


@pytest.mark.parametrize(
    "source",
    [
        "<script>alert(1)</script>",
        '<img src="https://example.org/pixel.png">',
        '<p style="position:fixed" onmouseover="x()">a</p>',
        '<a href="javascript:alert(1)">a</a>',
        "[a](javascript:alert(1))",
        '<iframe src="https://example.org"></iframe>',
        "<style>body { display: none }</style>",
        '<svg onload="alert(1)"></svg>',
        '<form action="https://example.org"><input name="a"></form>',
        '<base href="https://example.org/">',
    ],
)
def test_html_that_acts_is_removed(given: Given, source: str) -> None:
    html = str(read(given, source)).lower() + read(given, source).html.lower()
    html = read(given, source).html.lower()
    for word in ("<script", "<img", "style=", "onmouseover", "javascript:", "<iframe", "<style", "<svg", "<form",
                 "<base", "onload"):  # fmt: skip
        assert word not in html


def test_prose_cannot_take_an_id_of_the_page(given: Given) -> None:
    html = read(given, '## Answer {#answer}\n\n<p id="content">x</p>\n\n[up](#answer)\n').html
    assert 'id="conclusion-answer"' in html
    assert 'id="conclusion-content"' in html
    assert 'href="#conclusion-answer"' in html


def test_headings_stay_below_the_sections(given: Given) -> None:
    html = read(given, "# One\n\n#### Deep\n\n## Two\n").html
    assert [html.count(f"<h{level}") for level in range(1, 7)] == [0, 0, 1, 2, 0, 0]


def test_a_number_inside_a_link_makes_no_second_link(given: Given) -> None:
    html = read(given, "[{{ value('thrust', 'five-cell', speed_rpm=9000) }}](https://example.org/)").html
    assert html.count("<a ") == 1


def test_numbers_in_attributes_are_plain_text(given: Given) -> None:
    source = "[a](https://example.org/ \"{{ value('thrust', 'five-cell', speed_rpm=9000) }}\")"
    html = read(given, source).html
    assert html.count("<a ") == 1
    assert "gf" in html


def test_no_conclusion_is_no_section(given: Given) -> None:
    assert read(given, "  \n").html == ""


def test_photos_must_be_the_sessions_own(given: Given, tmp_path: Path) -> None:
    assert read(given, "![a](stand.png)").photos == ("stand.png",)
    outside = read(given, "text\n\n![a](../../secret.png)")
    assert outside.photos == ()
    assert outside.problems[0].line == 3
    assert "<img" not in outside.html
