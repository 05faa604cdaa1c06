"""JSON Schema of the fleet files, for editors that complete and check TOML."""

from typing import Any

from ridecheck.core.errors import UsageError
from ridecheck.core.names import nearest_name
from ridecheck.core.strict_toml import Table, one_of
from ridecheck.fleet.files import BikeFile, FleetFile, ModelFile
from ridecheck.fleet.layout import Layout

KINDS: dict[str, type[Table]] = {
    "fleet": FleetFile,
    "model": ModelFile,
    "bike": BikeFile,
    "layout": Layout,
}


def json_schema(kind: str) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of fleet.toml, a model, a bike or a layout file."""
    if kind not in KINDS:
        near = nearest_name(kind, KINDS)
        raise UsageError(
            "no such kind of file",
            value=kind,
            what_to_do=one_of(KINDS) + (f"; did you mean {near}?" if near else ""),
        )
    schema = KINDS[kind].model_json_schema(mode="validation")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
