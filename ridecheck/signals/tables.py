"""Every table of limits that is no rule's own: what fleet files may set beside the rules'."""

from collections.abc import Mapping
from types import MappingProxyType

from ridecheck.signals import braking, definitions

SHARED: Mapping[str, type] = MappingProxyType(
    {definitions.ID: definitions.Definitions, braking.ID: braking.Limits}
)
"""By the name they have in ``[thresholds."..."]`` and in ``ridecheck explain``."""
