"""What to mind while something is put right, for the causes and fixes that it goes with."""

from typing import Final

LOAD: Final = (
    "Before you loosen a clutch, bolt or dovetail, support the load: counterweights go on first and come off last, "
    "fingers and feet stay clear. Rebalance with the power off."
)
WORKSHOP: Final = (
    "Disconnect the power and note how every part was set before you turn it. Opening gear may end a warranty: stop "
    "if unsure, and leave it to the maker."
)
MAINS: Final = (
    "Keep mains indoors and run low voltage to the telescope, or use outdoor connectors behind a residual-current "
    "device of 30 mA or less. Fuse dew heaters and don't cover them. Follow local rules or ask an electrician."
)
SUN: Final = (
    "Towards twilight, never point telescope, finder or camera near the Sun without a filter made for it over the "
    "front of every aperture."
)
DARK: Final = "Tie cables off the ground and use a dim red lamp: trips in the dark are the commonest accident."
