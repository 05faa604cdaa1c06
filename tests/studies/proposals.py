"""How well layouts are proposed for logs nobody described.

    python tests/studies/proposals.py [LOGS]

Simulated rides in fourteen dialects, under header words that ridecheck's own lists do not
hold. Seeds from 5000 up are used here only. Prints the figures README quotes.
"""

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from setup.propose.trial import STYLES, try_out

FIRST_SEED = 5000


def main(logs: int) -> None:
    """Try that many logs and print what came of them."""
    right = wrong = named_wrong = 0
    missing: Counter[str] = Counter()
    for seed in range(FIRST_SEED, FIRST_SEED + logs):
        _, _, judged = try_out(seed)
        right += judged.wholly_right
        wrong += bool(judged.wrong)
        missing.update(judged.missing)
        _, _, nameless = try_out(seed, nameless=True)
        named_wrong += bool(nameless.wrong)
    print(f"{logs} logs in {len(STYLES)} dialects, header words unknown to ridecheck:")
    print(f"  wholly right, nothing asked: {right} ({right / logs:.0%})")
    print(f"  something wrong without saying so: {wrong} ({wrong / logs:.1%})")
    print(f"  left out or asked most: {dict(missing.most_common(5))}")
    print("the same logs with columns called ch01, ch02 and so on:")
    print(f"  something wrong without saying so: {named_wrong} ({named_wrong / logs:.1%})")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
