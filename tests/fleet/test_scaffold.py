"""A new fleet folder loads as it is, and its comments tell the true defaults."""

import re
import tomllib
from pathlib import Path

import pytest
from fleet.folders import KNOWN

from ridecheck.core.catalog import channels
from ridecheck.core.errors import UsageError
from ridecheck.core.resources import shipped
from ridecheck.fleet import json_schema, load_fleet
from ridecheck.fleet.schema import KINDS
from ridecheck.rules import engine
from ridecheck.setup.scaffold import init_fleet

EXAMPLES = {
    "fleet": shipped("schemas", "fleet.toml"),
    "model": shipped("schemas", "models", "touring-triple-five.toml"),
    "bike": shipped("schemas", "bikes", "T07.toml"),
    "layout": shipped("schemas", "layouts", "bench-20hz.toml"),
}
_DEFAULT = re.compile(r"^# (?=\w+ = )")
"""A comment that shows a default; a key set in further is an example of something else."""


def _listed(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "list.csv"
    path.write_bytes(text.encode("utf-8"))
    return path


def test_the_new_folder_loads_without_mistakes(tmp_path: Path) -> None:
    new = init_fleet(tmp_path / "fleet")
    fleet = load_fleet(tmp_path / "fleet", known_limits=KNOWN)

    assert fleet.mistakes == ()
    assert list(fleet.bikes) == ["T07"]
    assert fleet.layout_of("T07") is not None
    assert (tmp_path / "fleet/inbox").is_dir()
    assert new.files == (
        "fleet.toml",
        "bikes/T07.toml",
        "models/touring-triple-five.toml",
        "layouts/bench-20hz.toml",
    )
    assert new.to_fill_in == ()


@pytest.mark.parametrize("kind", EXAMPLES)
def test_every_default_in_the_examples_is_the_true_one(kind: str) -> None:
    text = EXAMPLES[kind].read_text("utf-8")
    spelt_out = "\n".join(_DEFAULT.sub("", line) for line in text.splitlines())
    table = KINDS[kind]

    assert spelt_out != text
    assert table.model_validate(tomllib.loads(spelt_out)) == table.model_validate(
        tomllib.loads(text)
    )


@pytest.mark.parametrize("kind", EXAMPLES)
def test_every_key_stands_in_the_examples(kind: str) -> None:
    words = set(re.findall(r"\w+", EXAMPLES[kind].read_text("utf-8")))

    assert _keys(json_schema(kind)) - words <= _ONLY_BY_COMMAND


_ONLY_BY_COMMAND = {"ride", "parts", "to"}
"""Keys of events that assign and drop write; people do not."""


def _keys(schema: object) -> set[str]:
    """Every property name anywhere in a JSON Schema."""
    if isinstance(schema, list):
        return set().union(*map(_keys, schema))
    if not isinstance(schema, dict):
        return set()
    own = set(schema.get("properties", {}))
    return own.union(*(_keys(v) for v in schema.values()))


@pytest.mark.parametrize("kind", ["fleet", "model", "bike"])
def test_the_threshold_shown_in_the_examples_is_one_that_a_rule_has(
    tmp_path: Path, kind: str
) -> None:
    new = init_fleet(tmp_path / "fleet")
    path = new.root / EXAMPLES[kind].relative_to(shipped("schemas"))
    shown = re.search(
        r"^#     (\[thresholds.*)\n#     (.*)$", path.read_text("utf-8"), re.MULTILINE
    )
    assert shown
    path.write_text(f"{path.read_text('utf-8')}\n{shown[1]}\n{shown[2]}\n", "utf-8")

    assert load_fleet(new.root, known_limits=engine.known_limits()).mistakes == ()


def test_the_layout_example_names_every_channel() -> None:
    words = set(re.findall(r"\w+", EXAMPLES["layout"].read_text("utf-8")))

    assert set(channels()) <= words


def test_a_used_folder_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("mine")

    with pytest.raises(UsageError) as caught:
        init_fleet(tmp_path)

    assert caught.value.where == str(tmp_path)
    assert caught.value.what_to_do
    assert [p.name for p in tmp_path.iterdir()] == ["note.txt"]


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "fleet").write_text("mine")

    with pytest.raises(UsageError):
        init_fleet(tmp_path / "fleet")


def test_an_empty_folder_may_be_used(tmp_path: Path) -> None:
    init_fleet(tmp_path)

    assert (tmp_path / "fleet.toml").is_file()


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_a_list_of_bikes_makes_a_file_each(tmp_path: Path, separator: str, mark: str) -> None:
    rows = [
        ("Bike", "label", "model", "layout"),
        ("T07", 'Seven "grey" \\ no. 7', "touring-triple-five", "bench-20hz"),
        ("T08", "", "touring-triple-five", ""),
    ]
    lines = [separator.join('"' + c.replace('"', '""') + '"' for c in row) for row in rows]
    new = init_fleet(
        tmp_path / "fleet", bikes_csv=_listed(tmp_path, mark + "\r\n".join(lines) + "\r\n")
    )
    fleet = load_fleet(new.root, known_limits=KNOWN)

    assert fleet.mistakes == ()
    assert fleet.bikes["T07"].label == 'Seven "grey" \\ no. 7'
    assert fleet.bikes["T07"].layout == "bench-20hz"
    assert fleet.bikes["T08"].label == ""
    assert fleet.bikes["T08"].layout is None
    assert new.to_fill_in == ()


def test_label_and_layout_may_be_left_out_of_the_list(tmp_path: Path) -> None:
    listed = _listed(tmp_path, "model,bike\ntouring-triple-five,T1\n\ntouring-triple-five,T2\n")
    fleet = load_fleet(init_fleet(tmp_path / "f", bikes_csv=listed).root, known_limits=KNOWN)

    assert list(fleet.bikes) == ["T1", "T2"]
    assert fleet.mistakes == ()


def test_a_model_without_figures_is_to_be_filled_in_and_not_judged_by_an_examples(
    tmp_path: Path,
) -> None:
    listed = _listed(tmp_path, "bike,model,layout\nT1,grey-heron,own\nT2,touring-triple-five,\n")
    new = init_fleet(tmp_path / "f", bikes_csv=listed)
    fleet = load_fleet(new.root, known_limits=KNOWN)

    assert new.to_fill_in == ("models/grey-heron.toml", "layouts/own.toml")
    assert {m.file for m in fleet.wrong("T1")} == set(new.to_fill_in)
    assert fleet.wrong("T2") == ()
    assert "grey-heron" not in fleet.models


def test_the_lines_to_be_filled_in_are_an_example_that_loads(tmp_path: Path) -> None:
    listed = _listed(tmp_path, "bike,model,layout\nT1,grey-heron,own\n")
    new = init_fleet(tmp_path / "f", bikes_csv=listed)
    for name in new.to_fill_in:
        path = new.root / name
        path.write_text(path.read_text("utf-8").replace("#~ ", ""), "utf-8")

    assert load_fleet(new.root, known_limits=KNOWN).mistakes == ()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ["there is no column bike", "there is no column model"]),
        ("bike,model\n", ["it names no bike"]),
        ("bike,modell\nT1,a\n", ["column modell is not known", "there is no column model"]),
        ("bike,model\nT1,a\nt1,a\n", ['line 3: bike "t1" is listed before']),
        ("bike,model\nT 1,\n", ['line 2: bike "T 1" is no bike id', "line 2: model is blank"]),
        ("bike,model\nT1,a/b\n", ["cannot be a file's name"]),
        ("bike,model\nT1,..\n", ["cannot be a file's name"]),
        ("bike,model\nT1,a,b\n", ["line 2: too many cells"]),
        ('bike,label,model\nT1,"a\nb",m\n', ["on one line"]),
    ],
)
def test_a_wrong_list_is_told_line_by_line_and_writes_nothing(
    tmp_path: Path, text: str, told: list[str]
) -> None:
    with pytest.raises(UsageError) as caught:
        init_fleet(tmp_path / "fleet", bikes_csv=_listed(tmp_path, text))

    assert [t for t in told if t not in str(caught.value)] == []
    assert not (tmp_path / "fleet").exists()


@pytest.mark.parametrize("content", [None, b"bike,model\nT\xfc,a\n"])
def test_a_list_that_cannot_be_read_is_told_in_three_parts(
    tmp_path: Path, content: bytes | None
) -> None:
    path = tmp_path / "list.csv"
    if content is not None:
        path.write_bytes(content)

    with pytest.raises(UsageError) as caught:
        init_fleet(tmp_path / "fleet", bikes_csv=path)

    assert caught.value.where == str(path)
    assert "UTF-8" in caught.value.what_to_do
