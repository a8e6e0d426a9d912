"""Small drawings say the same as the words beside them."""

from __future__ import annotations

import itertools
import re
from math import inf, nan

import pytest
from conftest import text_of
from markupsafe import Markup

from dashboard import marks

LIMITS = {"low": 2.0, "medium": 3.0, "high": 5.0}


def test_severity_is_shape_word_and_colour():
    shapes = {
        level: re.search(r"<(path|circle)[^>]*>", marks.severity(level)).group(0) for level in ("high", "medium", "low")
    }
    assert len(set(shapes.values())) == 3
    for level, word in (("high", "High"), ("medium", "Medium"), ("low", "Low")):
        assert text_of(marks.severity_words(level)) == word
        assert f'class="sev {level} certain"' in marks.severity_words(level)


def test_what_is_only_possible_is_hollow_and_says_so():
    found = marks.severity_words("high", certain=False)
    assert 'class="sev high possible"' in found
    assert text_of(found).replace(" ,", ",") == "High, possible"


def test_limits_stand_at_one_place_in_every_row():
    rows = [marks.limit_column(at, at - 0.5, at + 0.5, ["low", "medium", "high"]) for at in (0.3, 1.7, 2.9, 40.0)]
    lines = {tuple(re.findall(r'class="limit \w+" x1="([\d.]+)%"', row)) for row in rows}
    assert lines == {("24", "50", "76")} or lines == {("24.0", "50.0", "76.0")}


def test_bounds_are_always_drawn_and_an_open_end_has_no_cap():
    closed = marks.limit_column(3.2, 2.9, 3.5, ["high"])
    opened = marks.limit_column(3.2, 3.2, inf, ["high"])
    assert closed.count('class="bound"') == 3  # a line and two caps
    assert opened.count('<line class="bound"') == 2  # a line and one cap
    assert '<path class="bound"' in opened


def test_a_value_that_is_not_known_draws_no_dot():
    assert "dot" not in marks.limit_column(nan, nan, nan, ["low"])


def test_the_scale_names_every_limit_and_the_value():
    event = {"value": 4.0, "lower": 3.7, "upper": 4.3}
    said = text_of(marks.limit_scale(event, LIMITS, "s", "above", {"low": 0.7, "mid": 1.1, "high": 1.6, "n": 300}))
    for words in ("4.0 s", "Low 2.0", "Medium 3.0", "High 5.0", "fleet 5–95 %, median 1.1"):
        assert words in said


def test_a_far_value_does_not_crowd_the_limits_and_the_scale_says_so():
    scale = marks.limit_scale({"value": 90.0, "lower": 88.0, "upper": 92.0}, LIMITS, "s", "above", None)
    assert "not to scale" in text_of(scale)
    at = [float(x) for x in re.findall(r'class="limit \w+" x1="([\d.]+)%"', scale)]
    assert min(b - a for a, b in itertools.pairwise(at)) > 15


def test_labels_of_a_scale_do_not_cover_each_other():
    labels = [(30.0, "fleet 5–95 %, median 1.1"), (32.0, "Low 1.9"), (36.0, "Medium 2.7"), (40.0, "High 3.5")]
    rows = marks._label_rows(labels)
    assert len({row for row, _ in rows}) == len(rows)


@pytest.mark.parametrize(("where", "likely"), [("crew", 0), ("aircraft", 1), ("recording", 2)])
def test_the_filled_place_of_an_origin_shifts_sideways(where, likely):
    looks = re.findall(r'class="(likely|open|ruled-out)"', marks.origin(where))
    assert looks == ["likely" if i == likely else "ruled-out" for i in range(3)]


def test_an_origin_that_is_not_known_rules_nothing_out():
    assert re.findall(r'class="(likely|open|ruled-out)"', marks.origin("undetermined", "none")) == ["open"] * 3
    assert re.findall(r'class="(likely|open|ruled-out)"', marks.origin("crew", "possible")) == [
        "open",
        "ruled-out",
        "ruled-out",
    ]


def test_what_comes_from_a_file_is_text_and_never_markup():
    assert marks.joined([Markup("<b>{}</b>").format("<script>x</script>")]) == "<b>&lt;script&gt;x&lt;/script&gt;</b>"


def test_a_number_keeps_its_unit_on_its_line():
    assert (
        marks.unbroken("of 10.0 s at 60 kt, 57 % of 3 engines")
        == "of 10.0\u00a0s at 60\u00a0kt, 57\u00a0% of 3 engines"
    )
