"""Every rule against its own case file, and against every other rule's."""

import pytest
from cases import Case, cases, differences
from rides import ride_from

from ridecheck.rules.engine import judge


@pytest.mark.parametrize("case", cases(), ids=lambda case: case.name)
def test_case(case: Case) -> None:
    judged = judge(ride_from(case.base, case.told))

    assert not list(differences(case, judged))
