# ruff: noqa: E501 (a case is one line, however long)
"""The JSON Schemas accept what loads and refuse what does not."""

import json
import tomllib
from datetime import date, time
from typing import Any

import jsonschema
import pytest
from fleet.folders import FULL, MINIMAL

from ridecheck.core.errors import UsageError
from ridecheck.core.resources import shipped
from ridecheck.fleet import json_schema

FILES = {
    "fleet": ("fleet.toml", ("fleet.toml",)),
    "model": ("models/grey-heron.toml", ("models", "touring-triple-five.toml")),
    "bike": ("bikes/T07.toml", ("bikes", "T07.toml")),
    "layout": ("layouts/bench.toml", ("layouts", "bench-20hz.toml")),
}


def _as_json(text: str) -> Any:
    """A TOML text as JSON sees it: dates and instants as text."""

    def plain(value: Any) -> Any:
        assert isinstance(value, date | time), value
        return value.isoformat()

    return json.loads(json.dumps(tomllib.loads(text), default=plain))


@pytest.mark.parametrize("kind", FILES)
def test_a_schema_is_valid_and_accepts_what_loads(kind: str) -> None:
    name, example = FILES[kind]
    schema = json_schema(kind)
    jsonschema.Draft202012Validator.check_schema(schema)
    texts = [MINIMAL[name], FULL[name], shipped("schemas", *example).read_text("utf-8")]

    for text in texts:
        jsonschema.validate(_as_json(text), schema, cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("fleet", ""),
        ("fleet", 'name = "A"\nnam = 1'),
        ("model", "[drivetrain]\nprimary_ratio = -1"),
        ("model", "[drivetrain]\n[cruise]\ncancel_within_s = 1.5"),
        ("bike", 'bike = "T07"'),
        ("bike", 'bike = "T07"\nmodel = "a"\n[[events]]\nkind = "wax"\nwhen = 2026-05-03'),
        ("layout", '[file]\nkind = "xlsx"\n[columns.time]\ncolumn = "t"'),
        ("layout", '[file]\nkind = "csv"\n[columns.time]\ncolumn = "t"\n[columns.wheel]\ncolumn = "v"'),
        ("layout", '[file]\nkind = "csv"\n[columns.time]\ncolumn = "t"\n[columns.gear]\ncolumn = "v"\nunit = "V"'),
    ],
)  # fmt: skip
def test_a_schema_refuses_what_does_not_load(kind: str, text: str) -> None:
    validator = jsonschema.Draft202012Validator(json_schema(kind))

    assert not validator.is_valid(_as_json(text))


@pytest.mark.parametrize("kind", FILES)
def test_a_schema_can_be_printed(kind: str) -> None:
    assert json.loads(json.dumps(json_schema(kind))) == json_schema(kind)


def test_an_unknown_kind_is_told_the_known_ones() -> None:
    with pytest.raises(UsageError) as caught:
        json_schema("layouts")

    assert "did you mean layout?" in caught.value.what_to_do
