"""framecheck judges captured astronomical frames.

`measure_frame`, `measure_night` and `judge_night` are the whole way from files to a judgement, `write_night` puts the
report into a folder, and `make_plan` does the sums before anything is bought. All of it is loaded when first used, so
that `import framecheck` costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from framecheck._version import __version__

if TYPE_CHECKING:
    from framecheck.decision.judgement import Judgement
    from framecheck.errors import FramecheckError
    from framecheck.field.result import FrameResult
    from framecheck.logbook import Logbook
    from framecheck.motion.night import Night
    from framecheck.pipeline import Measurements, judge_night, measure_frame, measure_night
    from framecheck.plan.make import make_plan
    from framecheck.plan.records import Plan, Setup
    from framecheck.read.folder import find_frames
    from framecheck.read.rig import Rig
    from framecheck.read.rig_file import load_rig
    from framecheck.report.write import write_night

_FOUND_IN = {
    "FrameResult": "field.result",
    "FramecheckError": "errors",
    "Judgement": "decision.judgement",
    "Logbook": "logbook",
    "Measurements": "pipeline",
    "Night": "motion.night",
    "Plan": "plan.records",
    "Rig": "read.rig",
    "Setup": "plan.records",
    "find_frames": "read.folder",
    "judge_night": "pipeline",
    "load_rig": "read.rig_file",
    "make_plan": "plan.make",
    "measure_frame": "pipeline",
    "measure_night": "pipeline",
    "write_night": "report.write",
}

__all__ = [
    "FrameResult",
    "FramecheckError",
    "Judgement",
    "Logbook",
    "Measurements",
    "Night",
    "Plan",
    "Rig",
    "Setup",
    "__version__",
    "find_frames",
    "judge_night",
    "load_rig",
    "make_plan",
    "measure_frame",
    "measure_night",
    "write_night",
]


def __getattr__(name: str) -> Any:
    if name in _FOUND_IN:
        return getattr(import_module(f"framecheck.{_FOUND_IN[name]}"), name)
    raise AttributeError(f"module 'framecheck' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
