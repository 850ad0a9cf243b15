"""Laws of trust: an order with a least and a greatest element."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from mineralize.base import Verdict, reason_of, trust_of, worst
from mineralize.base.sayings import SAYINGS

LEVEL = st.sampled_from(["ok", "caution", "withheld"])
PLAIN = sorted(code for code, words in SAYINGS.items() if "{" not in words and ";" not in words)
VERDICT = st.builds(Verdict, st.sampled_from(PLAIN), st.sampled_from(["caution", "withheld"]))


@given(st.lists(LEVEL), st.lists(LEVEL))
def test_the_worst_of_all_is_the_worst_of_the_worst(one: list[str], other: list[str]) -> None:
    assert worst(*one, *other) == worst(worst(*one), worst(*other)) == worst(*other, *one)  # type: ignore[arg-type]


@given(st.lists(LEVEL, min_size=1), LEVEL)
def test_nothing_that_is_added_makes_trust_better(levels: list[str], more: str) -> None:
    order = ["ok", "caution", "withheld"]
    assert order.index(worst(*levels, more)) >= order.index(worst(*levels))  # type: ignore[arg-type]


@given(st.lists(VERDICT, max_size=6))
def test_trust_and_reason_follow_from_the_verdicts(verdicts: list[Verdict]) -> None:
    assert trust_of(verdicts) == worst(*(v.trust for v in verdicts))
    reason = reason_of(verdicts)
    assert (reason == "") == (not verdicts)
    said = reason.split("; ") if reason else []
    assert sorted(said) == sorted({v.text for v in verdicts}), "each said once"
