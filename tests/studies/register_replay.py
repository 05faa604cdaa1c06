"""Thousands of random histories of a fleet folder; prints how many ran and what left unsigned.

python tests/studies/register_replay.py [HISTORIES [STEPS]]
"""

import sys
import time
import unittest
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from register_machine import machine


def main() -> int:
    """Run the machine; 1 where a danger left without a sign-off."""
    histories = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    steps = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    began = time.process_time()
    suite = unittest.defaultTestLoader.loadTestsFromTestCase(machine(histories, steps))
    result = unittest.TextTestRunner(verbosity=0).run(suite)
    seconds = time.process_time() - began
    print(f"{histories} histories of up to {steps} steps, {seconds:.0f} s of CPU")
    print(
        "dangers that left without a sign-off:", "none" if result.wasSuccessful() else "see above"
    )
    return 0 if result.wasSuccessful() else 1


if __name__ == "__main__":
    raise SystemExit(main())
