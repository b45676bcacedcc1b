"""framecheck judges captured astronomical frames.

`measure_frame`, `measure_night` and `judge_night` are the whole way; they are loaded when first used, so that
`import framecheck` costs nothing.
"""

from typing import TYPE_CHECKING, Any

from framecheck._version import __version__

if TYPE_CHECKING:
    from framecheck.pipeline import judge_night, measure_frame, measure_night

__all__ = ["__version__", "judge_night", "measure_frame", "measure_night"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from framecheck import pipeline

        return getattr(pipeline, name)
    raise AttributeError(f"module 'framecheck' has no attribute {name!r}")
