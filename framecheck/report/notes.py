"""What frames tell beside the answer, of lens, tripod, ground and Moon: page and terminal show the same notes."""

from framecheck.decision.judgement import Judgement
from framecheck.report.aperture_words import apertures_note
from framecheck.report.ground_words import ground_advice
from framecheck.report.moon_words import moon_note
from framecheck.report.tracker_words import alignment_note
from framecheck.report.tripod_words import standing_note


def notes_of(judgement: Judgement) -> list[str]:
    """The notes that apply, each one or more sentences."""
    notes = (
        standing_note(judgement.standing, judgement.night.rig.focal_length_mm),
        alignment_note(judgement),
        apertures_note(judgement.apertures),
        ground_advice(judgement.ground),
        moon_note(judgement),
    )
    return [note for note in notes if note is not None]
