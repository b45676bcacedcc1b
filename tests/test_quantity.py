"""The table of quantities names what is there: each once, where the records hold it."""

from dataclasses import fields, is_dataclass
from typing import Any, get_args, get_type_hints

import pytest
from astropy import units as u

from framecheck.decision.frame_row import FrameRow
from framecheck.night.records import NightFrame
from framecheck.quantity import QUANTITIES, Quantity, in_file, shown_as


def kind_at(record: Any, path: str) -> Any:
    """Annotation of the field at the end of a path."""
    for name in path.split("."):
        (record,) = (part for part in (record, *get_args(record)) if is_dataclass(part))
        record = get_type_hints(record)[name]
    return record


@pytest.mark.parametrize("quantity", [one for one in QUANTITIES if one.path], ids=lambda one: one.name)
def test_records_hold_it_where_the_table_says(quantity: Quantity) -> None:
    for path in filter(None, (quantity.path, quantity.alone)):
        kind = kind_at(NightFrame, path)
        assert quantity.kind in (kind, *get_args(kind))


def test_every_number_of_a_frame_is_a_quantity_and_stands_there_once() -> None:
    names = [one.name for one in QUANTITIES]
    assert len(names) == len(set(names))
    hints = get_type_hints(FrameRow)
    numbers = [one.name for one in fields(FrameRow) if {int, float} & {hints[one.name], *get_args(hints[one.name])}]
    assert set(numbers) - set(names) == {"session"}  # the number of a session counts nothing


def test_units_are_those_of_astropy_and_agree_with_the_names() -> None:
    endings = {"_px": u.pix, "_s": u.s, "_deg": u.deg, "_adu": u.adu, "_arcsec": u.arcsec, "_c": u.deg_C}
    for one in QUANTITIES:
        for ending, unit in endings.items():
            if one.name.endswith(ending) and one.name != "sky_e_per_s":
                assert u.Unit(one.unit) == unit, one.name


def test_what_no_frame_knows_gives_way_to_what_is_known() -> None:
    in_pixels = [FrameRow(file="a.fits", fwhm_px=2.0)]
    in_arcsec = [FrameRow(file="a.fits", fwhm_px=2.0, fwhm_arcsec=3.0)]
    assert shown_as("column", in_pixels)[0].name == "fwhm_px"
    assert shown_as("column", in_arcsec)[0].name == "fwhm_arcsec"
    assert [one.name for one in shown_as("column", [])] == [one.name for one in shown_as("column", in_pixels)]


def test_both_tables_of_frames_name_their_columns_alike() -> None:
    night, logbook = ({one.name for one in in_file(file)} for file in ("night", "logbook"))
    assert {"fwhm_px", "elongation", "sky_adu", "n_stars"} <= night & logbook
    assert "transparency" not in logbook  # only a night can tell it


def test_a_width_takes_no_more_signs_through_a_short_lens() -> None:
    width = next(one for one in QUANTITIES if one.name == "fwhm_arcsec")
    assert [width.text(value) for value in (2.345, 66.124, 170.412, None)] == ["2.35", "66.12", "170.4", "–"]
