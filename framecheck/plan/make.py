"""The plan: what a rig can do before anything is bought or mounted.

Closed forms (`tolerances.py`) and the width of a star (`star_width.py`) on numbers that the user knows. What is not
given is not invented: a line that needs it says so.
"""

from framecheck.plan.light import focus, pixels, sub_length
from framecheck.plan.motion import alignment, untracked, with_mount
from framecheck.plan.records import Plan, Setup


def make_plan(setup: Setup) -> Plan:
    """Work out what a rig can do.

    Parameters
    ----------
    setup : Setup
        The rig, the air, the target and the wishes, as far as they are known.

    Returns
    -------
    Plan
        A fixed tripod has no section about mount and alignment.
    """
    about_mount = () if setup.rig.mount_type == "fixed" else (with_mount(setup), alignment(setup))
    return Plan(setup=setup, sections=(pixels(setup), untracked(setup), *about_mount, focus(setup), sub_length(setup)))
