"""Every table of limits that is no rule's own: what fleet files may set beside the rules'."""

from collections.abc import Mapping
from types import MappingProxyType

from ridecheck.signals import braking, definitions, drivetrain

SHARED: Mapping[str, type] = MappingProxyType(
    {
        definitions.ID: definitions.Definitions,
        braking.ID: braking.Limits,
        drivetrain.ID: drivetrain.Limits,
    }
)
"""By the name they have in ``[thresholds."..."]`` and in ``ridecheck explain``."""
