"""What a row of the table of causes holds: one physical thing, with all that is said of it whatever the night."""

from dataclasses import dataclass
from typing import Literal

Family = Literal["mount", "optics", "camera", "sky"]

Sign = Literal["trailed", "wider", "dimmer", "brighter sky"]
"""How a run of frames can stand off from the calm ones before it, while a night is watched."""

Need = Literal[
    "a guider", "a guider at work", "no guider", "a drive", "a polar axis", "an alt-azimuth mount", "a fixed tripod",
    "a standing drive", "a drive at a wrong rate", "a drive that stopped", "binning",
]  # fmt: skip
"""What a fix takes for granted."""

Trait = Literal["widens every frame", "steady motion", "even motion", "advice"]
"""It widens stars all over the field, in the sharper frames too; it changes the smear from frame to frame without being
random; its motion goes on evenly, and is half as long in half the exposure; it is told as advice, for nothing is at
fault and no frame is the worse for it."""

Picture = Literal["rhythm", "course", "smear", "field", "mean star", "budget", "temperature", "airmass"]
"""Pictures of the page that may show a cause."""


@dataclass(frozen=True, slots=True)
class Fix:
    """One thing to do about a cause."""

    step: str
    needs: Need | None = None
    """None if it fits everywhere."""
    caution: str | None = None
    """What to mind with it alone."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Rival:
    """Another cause of the same signs."""

    cause: str
    why_less_likely: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """One physical thing that can spoil a frame or a night."""

    name: str
    """Stable name, as in night.json."""
    family: Family
    title: str
    """As a heading says it."""
    culprit: str
    """As the subject of a sentence: "... cost 28 %"."""
    seen_as: str | None = None
    """As the object of "we see ...", where the title would not do."""
    meaning: str
    """The physical thing, in one sentence."""
    fixes: tuple[Fix, ...]
    """Cheapest first. Common practice, no source."""
    caution: str | None = None
    """What to mind while fixing it. Common practice; safety pages of observatories, clubs and electricians say the
    same. Local law and licensed trades come first."""
    rivals: tuple[Rival, ...] = ()
    """What it may be mistaken for, where the same can be said of every night."""
    yields_to: tuple[tuple[str, str], ...] = ()
    """Causes that make its signs as well, and why such a one explains them better where it is sure."""
    alarms: tuple[Sign, ...] = ()
    """Changes in a watched night that it explains."""
    alarm_from_the_start: Sign | None = None
    """Told without a change: it spoils a night from its first frame on, and can be put right at night."""
    traits: tuple[Trait, ...] = ()
    by_model: bool = False
    """Whether the model of the night decides on it, not signs of its own."""
    look: str = ""
    """What a shape or a third moment that the model gives it is called."""
    pictures: tuple[Picture, ...] = ()
    """Of these the first that there is shows it."""
    along: str | None = None
    """Quantity that is drawn along the night for it; star size if not given."""

    @property
    def advice(self) -> bool:
        """Whether it is told as advice, not as a fault."""
        return "advice" in self.traits

    @property
    def cures(self) -> tuple[str, ...]:
        """What to do, cheapest first."""
        return tuple(fix.step for fix in self.fixes)
