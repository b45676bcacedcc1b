"""What headers never say, kept by camera and telescope and used again."""

import os
import stat
import sys
from pathlib import Path

import pytest

from framecheck.errors import UnusableRig
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig, merge_rig
from framecheck.read.saved_rig import RigName, load_saved, name_in, rig_name, save_rig, saved_file, with_saved

MINE = RigName(camera="Cam 26", telescope="Refractor 106")
FACTS = {"mount_type": "equatorial", "guided": False, "worm_period_s": 479.0, "site_latitude_deg": 48.2}


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr("platformdirs.user_config_dir", lambda *_, **__: str(tmp_path / "config" / "framecheck"))
    return tmp_path


def exposure(camera: str | None = "Cam 26", telescope: str | None = "Refractor 106", **facts: float) -> Exposure:
    given: dict[str, object] = {"camera": camera, "telescope": telescope, **facts}
    return Exposure(file=Path("a.fits"), kind="light", width_px=10, height_px=10, **given)  # type: ignore[arg-type]


def test_a_fact_told_once_holds_for_every_night_of_the_rig_and_says_where_it_is_from() -> None:
    save_rig(MINE, FACTS)
    rig = merge_rig(with_saved(Rig(), [exposure(), exposure()]), [exposure(focal_length_mm=530.0)])
    assert (rig.mount_type, rig.guided, rig.worm_period_s) == ("equatorial", False, 479.0)
    assert rig.provenance["worm_period_s"] == "saved rig"
    assert rig.provenance["focal_length_mm"] == "header"


@pytest.mark.parametrize("other", [exposure("Cam 9"), exposure(telescope="Lens 50"), exposure(None, None)])
def test_it_holds_for_no_other_rig(other: Exposure) -> None:
    save_rig(MINE, FACTS)
    assert with_saved(Rig(), [other]) == Rig()
    assert with_saved(Rig(), [exposure(), other]) == Rig()  # of two rigs in one folder, which would it be?


def test_a_rig_file_wins_fact_by_fact() -> None:
    save_rig(MINE, FACTS)
    rig = with_saved(Rig(guided=True, provenance={"guided": "rig file"}), [exposure()])
    assert (rig.guided, rig.worm_period_s) == (True, 479.0)
    assert rig.provenance["guided"] == "rig file"


@pytest.mark.parametrize("by_header", [True, False])
def test_where_the_rig_stood_that_night_is_better_known_by_the_night(by_header: bool) -> None:
    save_rig(MINE, FACTS)
    travelled = -24.6
    rig = Rig() if by_header else Rig(site_latitude_deg=travelled)
    frames = [exposure(site_latitude_deg=travelled) if by_header else exposure()]
    assert merge_rig(with_saved(rig, frames), frames).site_latitude_deg == travelled


def test_what_changes_from_night_to_night_is_not_kept() -> None:
    file = save_rig(MINE, FACTS)
    file.write_text("[camera]\ngain_e_per_adu = 0.5\n")
    with pytest.raises(UnusableRig, match=r"`gain_e_per_adu` may change .* --rig"):
        load_saved(file)


@pytest.mark.skipif(sys.platform == "win32", reason="other rights")
def test_only_the_user_reads_it_and_a_new_one_replaces_it_whole(home: Path) -> None:
    umask = os.umask(0)
    try:
        file = save_rig(MINE, FACTS)
    finally:
        os.umask(umask)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(file.parent.stat().st_mode) == 0o700
    aim = home / "theirs"
    aim.write_text("untouched")
    file.unlink()
    file.symlink_to(aim)
    save_rig(MINE, {"guided": True})
    assert aim.read_text() == "untouched"
    assert [path.name for path in file.parent.iterdir()] == [file.name]
    assert load_saved(file).guided is True


def test_names_from_headers_make_no_paths_and_no_lines() -> None:
    hostile = RigName(camera="../../x\n[mount]\nguided = true", telescope="\x1b[2J")
    file = save_rig(hostile, {})
    assert file.parent == saved_file(MINE).parent
    assert load_saved(file) == Rig()
    assert "\x1b" not in name_in(file)
    assert rig_name([exposure(hostile.camera, hostile.telescope)]) == hostile
