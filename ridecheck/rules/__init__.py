"""The rules, one file each; a rule's id is its path under this folder."""

import importlib
import pkgutil
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from ridecheck.rules.base import Rule


@cache
def all_rules() -> Mapping[str, Rule]:
    """Every rule by id, in alphabetical order."""
    found = {}
    for module in pkgutil.walk_packages(__path__, prefix=f"{__name__}."):
        tail = module.name.removeprefix(f"{__name__}.")
        if module.ispkg or "." not in tail:  # families, and base.py / engine.py beside them
            continue
        rule = importlib.import_module(module.name).check
        found[rule.id] = rule
    return MappingProxyType(dict(sorted(found.items())))
