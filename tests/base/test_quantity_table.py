"""The one table of quantities: every row has all that tables, sentences and reports read from it."""

from __future__ import annotations

from mineralize.base import GROUPS, QUANTITIES, UNITS, is_share, title_of

FAMILIES = ("mineral_volume", "rim_completeness")


def test_a_row_has_words_of_its_own_or_is_its_family_at_another_threshold() -> None:
    for name, row in QUANTITIES.items():
        family, _, threshold = name.rpartition("_")
        if family in FAMILIES and threshold.isdigit():
            assert not row.title + row.named + row.meaning, name
            assert row.report is None
            assert (row.unit, row.needs, row.bounds, row.share) == tuple(
                getattr(QUANTITIES[family], of) for of in ("unit", "needs", "bounds", "share")
            )
            assert title_of(name) == f"{QUANTITIES[family].title} at {threshold} HU"
        else:
            assert all((row.title, row.named, row.meaning, row.report)), name
            assert title_of(name) == row.title


def test_titles_names_and_codes_tell_rows_apart() -> None:
    told = [row for row in QUANTITIES.values() if row.report is not None]
    for of in ("title", "named"):
        assert len({getattr(row, of) for row in told}) == len(told), of
    coded = {(r.report.region, r.report.name, r.report.site) for r in told if r.report is not None}
    assert len(coded) == len(told)


def test_groups_hold_each_quantity_once_in_the_order_of_the_tables() -> None:
    listed = [name for group in GROUPS.values() for name in group]
    assert listed == [name for name, row in QUANTITIES.items() if row.title]
    assert list(UNITS) == list(QUANTITIES)


def test_a_share_lies_between_none_and_all() -> None:
    for name, row in QUANTITIES.items():
        assert is_share(name) == row.share
        if row.share:
            assert (row.unit, row.bounds) == ("1", (0.0, 1.0)), name
    assert not is_share("no such quantity")
    assert is_share("rim_completeness_170"), "a threshold that a person asked for"
    assert title_of("no_such_thing") == "No such thing"
