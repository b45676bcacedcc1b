"""A night does not contradict itself: what is sure of all frames is not denied by the odd or the even ones."""

from dataclasses import replace
from pathlib import Path

import pytest
from drawn_frames import drawn_frame

from framecheck.causes.weigh import weigh
from framecheck.field import FrameResult
from framecheck.motion import build_night
from framecheck.read import Rig, merge_rig
from framecheck.simulate.scenario import Camera, Mount, Scenario, SceneOptics, ScenePlan, SceneSky, Target

SURE, CLAIMED = 0.9, 0.5
PLAIN = Scenario(
    name="plain", seed=31, camera=Camera(width=900, height=650, hot_pixels=10, cosmic_rays_per_min=0.5),
    target=Target(stars=220, ra_deg=318.0, dec_deg=38.0), plan=ScenePlan(frames=24),
    mount=Mount(guided=True, rms_ra_arcsec=0.4, rms_dec_arcsec=0.4), sky=SceneSky(seeing_arcsec=2.8),
)  # fmt: skip
NIGHTS = {
    "tilted": replace(PLAIN, optics=SceneOptics(tilt_um=(160.0, 60.0))),
    "shaken and misaligned": replace(
        PLAIN, mount=Mount(guided=True, rms_ra_arcsec=1.3, rms_dec_arcsec=1.1), optics=SceneOptics(coma_nm=(90.0, 40.0))
    ),
}


def confidence_of(frames: list[FrameResult]) -> dict[str, float]:
    rig = merge_rig(Rig(aperture_mm=106.0), [frame.exposure for frame in frames])
    findings, _ = weigh(build_night(Path("night"), rig, frames), rig)
    return {one.cause: one.confidence for one in findings}


@pytest.mark.parametrize("name", NIGHTS)
def test_what_is_sure_of_some_frames_is_claimed_of_all_and_of_the_others(name: str) -> None:
    drawn = [drawn_frame(NIGHTS[name], number) for number in range(24)]
    frames = [frame for frame in drawn if isinstance(frame, FrameResult)]
    told = [confidence_of(some) for some in (frames, frames[::2], frames[1::2])]
    for cause in set().union(*told):
        said = [one.get(cause, 0.0) for one in told]
        assert max(said) < SURE or min(said) >= CLAIMED, (cause, said)
