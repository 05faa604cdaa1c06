"""Whatever a logger writes in any of the dialects comes back as it was."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from logs import layout, part, said

DIALECTS = st.sampled_from(
    [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), ("|", ",")]
)
SPEED = st.none() | st.integers(0, 2500).map(lambda n: n / 10)
SWITCH = st.sampled_from([True, False, None])
GEAR = st.sampled_from([None, 0, 1, 2, 3, 4, 5, 6])
ROWS = st.lists(st.tuples(SPEED, SWITCH, GEAR), min_size=2, max_size=40)
BETWEEN = st.sampled_from(["", "# lap", "   ", "only one", "1;2,3|4\t5", "t,v"])


def written(value: object, decimal: str) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "on" if value else "off"
    return str(value).replace(".", decimal)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    rows=ROWS,
    dialect=DIALECTS,
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    quoted=st.booleans(),
    trailing=st.booleans(),
    between=st.lists(st.tuples(st.integers(0, 40), BETWEEN), max_size=6),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16-le", "cp1252"]),
)
def test_values_come_back_from_any_dialect(
    rows, dialect, end, quoted, trailing, between, encoding
) -> None:
    separator, decimal = dialect
    quote = '"' if quoted else ""
    tail = separator if trailing else ""
    cells = [
        [f"{i / 10:.1f}".replace(".", decimal), *(written(v, decimal) for v in row)]
        for i, row in enumerate(rows)
    ]
    lines = [separator.join(f"{quote}{c}{quote}" for c in line) + tail for line in cells]
    for at, text in between:
        lines.insert(min(at, len(lines)), text)
    head = separator.join(["t", "v", "fb", "g"])
    mark = b"\xff\xfe" if encoding == "utf-16-le" else b""
    data = mark + (end.join([head, *lines]) + end).encode(encoding)
    how = layout(
        wheel_speed="v",
        front_brake="fb",
        gear="g",
        file_decimal=decimal,
        file_encoding="cp1252" if encoding == "cp1252" else "utf-8",
    )

    read = part(data, how)

    assert read.samples["wheel_speed"].to_list() == [v for v, _, _ in rows]
    assert read.samples["front_brake"].to_list() == [b for _, b, _ in rows]
    assert read.samples["gear"].to_list() == [g for _, _, g in rows]
    at = [i + 2 for i, line in enumerate(lines) if line.count(separator) == 3 + trailing]
    assert read.samples["row"].to_list() == at
    assert not said(read, "no number")
