"""What a night comes to in one look: the record that page, terminal and all other faces tell from."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Figure:
    """One of the three large figures."""

    name: str
    """"Stack", "Worth", "Main cause"."""
    value: str
    """"44 of 48", "1 h 1 min", "28 %"."""
    note: str
    """What the value is of."""

    @property
    def line(self) -> str:
        """Value and note on one line."""
        return f"{self.value}{' ' if self.note.startswith(('of ', 'lost ', 'frames ')) else ': '}{self.note}"


@dataclass(frozen=True, kw_only=True, slots=True)
class FirstAction:
    """What to do first, with its number."""

    todo: str
    """A sentence in the imperative, without its full stop."""
    because: str
    """The measured reason, with its number, as the end of that sentence; empty if nothing needs to be done."""
    cause: str | None = None
    """Name of the cause that it is about."""
    caution: str | None = None

    @property
    def sentence(self) -> str:
        """Both together."""
        return f"{self.todo}: {self.because}." if self.because else f"{self.todo}."


@dataclass(frozen=True, kw_only=True, slots=True)
class DoubtfulFrames:
    """Whether to take the doubtful frames, all of them, and what that trades."""

    n_frames: int
    take: bool
    deeper: float | None
    """By what share the stack with them is worth more than without. [share]"""
    wider: float | None
    """By what share its stars are wider; negative if they are sharper. [share]"""
    sentence: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownStar:
    """A star of a frame that stands for the night."""

    role: str
    """"best", "typical" or "worst"."""
    file: str
    """Name of the frame as in `frames[]`."""
    x_px: float
    y_px: float
    """Its place in the file, first pixel's centre at (0, 0)."""
    fwhm_px: float
    fwhm_arcsec: float | None
    elongation: float
    """Both of the frame."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Morning:
    """The night's answer; every text is ready to be shown."""

    verdict: str
    """One sentence."""
    figures: tuple[Figure, ...]
    """How many frames to stack, what they are worth, the main cause and its cost."""
    action: FirstAction
    mount: str
    """One line, beginning with "Mount:"."""
    doubtful: DoubtfulFrames | None
    """None without such frames."""
    stars: tuple[ShownStar, ...]
    n_stack: int
    """Frames to stack: those kept and, where they are worth taking, the doubtful ones."""
    n_frames: int
    """Measured frames."""
    worth_s: float | None
    """Effective exposure of those to stack. [s]"""
    shot_s: float | None
    """Exposure of all frames. [s]"""
    main_cause: str | None
    main_cost: float | None
    """Share of the effective exposure, or of the squared FWHM, lost to it."""

    @property
    def rows(self) -> list[tuple[str, str]]:
        """All but the verdict, in the order of the page's first screen, each with its name."""
        told = [(figure.name, figure.line) for figure in self.figures]
        told.append(("Do first", self.action.sentence))
        if self.action.caution is not None:
            told.append(("Mind", self.action.caution))
        told.append(("Mount", self.mount.removeprefix("Mount: ")))
        return told if self.doubtful is None else [*told, ("Doubtful", self.doubtful.sentence)]
