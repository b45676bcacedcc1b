"""The table itself: whole, readable, and every row with a source."""

import math

from reference import all_references

SOURCE_KINDS = {"standard", "paper", "textbook", "library", "closed form", "common practice", "memory"}


def test_a_row_names_quantity_unit_and_source() -> None:
    for row in all_references().values():
        assert row.quantity, row.id
        assert row.unit, row.id
        assert row.source, row.id
        assert row.source_kind in SOURCE_KINDS, row.id


def test_a_row_has_a_number_and_a_tolerance() -> None:
    for row in all_references().values():
        assert math.isfinite(row.value), row.id
        assert (row.relative is None) != (row.absolute is None), row.id
        assert (row.relative or row.absolute or 0) >= 0, row.id


def test_a_value_lies_within_its_own_tolerance_and_not_far_outside() -> None:
    for row in all_references().values():
        assert row.value == row.approx, row.id
        assert row.value + 1 + abs(row.value) != row.approx, row.id


def test_weak_sources_say_that_they_are_weak() -> None:
    # What was recalled or derived must not pass for a document.
    words = ("recalled", "derived", "no document", "textbook", "arithmetic")
    for row in all_references().values():
        if row.source_kind == "memory":
            assert any(word in row.source for word in words), row.id
