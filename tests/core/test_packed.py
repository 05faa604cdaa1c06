import pytest

from ridecheck.core.packed import packed, unpacked


@pytest.mark.parametrize(
    "rows",
    [(), ((0.0, 96.2), (0.05, None)), ((-2.474, 1.0, 0.0),), ((123456.789, 0.001),)],
)
def test_rows_come_back_as_they_were_packed(rows):
    assert unpacked(packed(rows)) == rows


def test_a_blank_is_not_a_nought():
    assert unpacked("1,0 2,") == ((1.0, 0.0), (2.0, None))
