"""Nights that are killed, full disks, closed folders, two at once: is anything lost or torn?

    python tests/studies/torture.py [--kills 300] [--logs 60] [--seed 1] [--known 10000]

Each scenario ends with an undisturbed night, whose results, report.json, pages and index
must be those of a fleet folder that was never disturbed. Prints figures; exit 1 on any
difference.
"""

import argparse
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import duckdb
from folders import HELD_ON, NOW, Folder, day, log_text, rows_of

from ridecheck.batch import tasks
from ridecheck.batch.nightly import night
from ridecheck.core.errors import BrokenOff, FleetBusy
from ridecheck.store.index import LogRow, index_update, read_known

AS_OF = day(40)
KEPT = ("rides", "results", "dangers", "reports", "set_aside", "log", "ridecheck.duckdb")
WRITTEN = re.compile(rb'"generated_at": "[^"]*"|[Ww]ritten \d{4}-\d\d-\d\d[ T]\d\d:\d\d')
"""The one thing that may differ from night to night."""
SHORT = [
    "stand 2 s",
    "speed to 80 at 3 m/s2",
    "cruise 80 km/h, gear 5, 8 s",
    "brake 3.0 m/s2 to 20",
]


@dataclass
class Tally:
    """What was tried, and what went wrong."""

    kills: int = 0
    nights: int = 0
    pages_read: int = 0
    torn_pages: int = 0
    differing: list[str] = field(default_factory=list)


def make_fleet(root: Path, logs: int) -> Folder:
    """Four bikes and their logs: most clean, some with a danger, some broken, some twice."""
    folder = Folder(root, ("T01", "T02", "T03", "T04"))
    clean, held = rows_of(SHORT, rate_hz=10), rows_of(SHORT, rate_hz=10, **HELD_ON)
    for n in range(logs):
        bike, start = f"T{n % 4 + 1:02d}", day(n * 0.3)
        if n % 20 == 7:
            folder.write(f"inbox/{bike}_{n}.csv", "not a log\n")
        elif n % 20 == 13:
            folder.write(f"inbox/{bike}_{n}.csv", log_text(clean, day((n - 4) * 0.3)))
        else:
            folder.write(f"inbox/{bike}_{n}.csv", log_text(held if n % 25 == 3 else clean, start))
    return folder


# ----------------------------------------------------------------------------- one night


def start_night(root: Path, *, several: bool = False, clock: datetime = NOW) -> subprocess.Popen:
    """A night in a process group of its own."""
    arguments = [str(root), clock.isoformat(), "several" if several else "one"]
    return subprocess.Popen(
        [sys.executable, __file__, "--night", *arguments],
        start_new_session=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )


def do_night(root: Path, clock: datetime, *, several: bool) -> int:
    """What the process of a night does; with processes of its own where several."""
    if several:
        tasks.ALONE_BELOW_BYTES = 0
    try:
        night(root, now=clock, as_of=AS_OF, workers=2 if several else 1)
    except FleetBusy:
        return 4
    except BrokenOff:
        return 70
    return 0


def kill(running: subprocess.Popen, after_s: float) -> bool:
    """Kill a night and its workers after a while; False where it had ended by itself."""
    with running:  # waits, and closes its pipe
        try:
            running.wait(timeout=after_s)
        except subprocess.TimeoutExpired:
            os.killpg(running.pid, signal.SIGKILL)
            return True
        return False


# ----------------------------------------------------------------------------- comparing


def state(root: Path) -> dict[str, object]:
    """All that must come out the same: files but for instants of arrival, and every table."""
    found: dict[str, object] = {}
    for folder in ("results", "reports", "set_aside"):
        for path in sorted((root / folder).rglob("*")):
            if path.is_file():
                found[str(path.relative_to(root))] = WRITTEN.sub(b"", path.read_bytes())
    found["rides"] = sorted(str(p.relative_to(root)) for p in (root / "rides").rglob("*.parquet"))
    with duckdb.connect(str(root / "ridecheck.duckdb"), read_only=True) as con:
        names = [n for (n,) in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
        for name in sorted(names):
            found[f"table {name}"] = con.execute(f"SELECT * FROM {name} ORDER BY ALL").fetchall()
        found["samples"] = con.execute(
            "SELECT bike, stem, count(*), sum(wheel_speed) FROM samples GROUP BY ALL ORDER BY ALL"
        ).fetchall()
    return found


def compare(
    tally: Tally, scenario: str, wanted: dict[str, object], root: Path, *, moved: bool = False
) -> None:
    """Note every file and table that came out otherwise, and what was left lying about.

    moved: the logs were written anew, so that their times and inodes are others.
    """
    got = state(root)
    if moved:
        wanted, got = ({**s, "table logs": _where(s["table logs"])} for s in (wanted, got))
    tally.differing += [
        f"{scenario}: {key}" for key in sorted({*wanted, *got}) if wanted.get(key) != got.get(key)
    ]
    left = [str(p) for p in root.rglob(".*") if p.name != ".lock"]
    tally.differing += [f"{scenario}: left behind {p}" for p in left]


def _where(rows: object) -> list[tuple]:
    """The table of logs without times and inodes."""
    return [(*row[:4], *row[6:]) for row in rows]  # type: ignore[attr-defined]


def wipe(root: Path) -> None:
    """A fleet folder as it was before its first night."""
    for name in KEPT:
        path = root / name
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


@contextmanager
def watched(root: Path, tally: Tally) -> Iterator[None]:
    """Somebody who reads the pages over and over meanwhile."""
    over = threading.Event()

    def read() -> None:
        while not over.wait(0.01):
            with suppress(FileNotFoundError, NotADirectoryError):  # wiped between rounds
                for path in [*(root / "reports").glob("*.*"), *(root / "reports").glob("*/*.*")]:
                    if path.name.startswith(".") or path.suffix not in (".html", ".json"):
                        continue
                    text = path.read_text("utf-8")
                    tally.pages_read += 1
                    tally.torn_pages += not _is_whole(path, text)

    reader = threading.Thread(target=read)
    reader.start()
    try:
        yield
    finally:
        over.set()
        reader.join()


def _is_whole(path: Path, text: str) -> bool:
    if path.suffix == ".html":
        return text.rstrip().endswith("</html>")
    try:
        json.loads(text)
    except ValueError:
        return False
    return True


# ----------------------------------------------------------------------------- scenarios


def killed(root: Path, tally: Tally, *, kills: int, rng: random.Random) -> None:
    """Nights killed at random instants, ten a round, then one left alone.

    Every second round begins with half of the logs known already.
    """
    wipe(root)
    began = time.monotonic()
    run_to_end(start_night(root), tally)
    whole_s = time.monotonic() - began
    wanted = state(root)
    rounds = 0
    while tally.kills < kills:
        wipe(root)
        rounds += 1
        if rounds % 2 == 0:
            with half_hidden(root, rng):
                run_to_end(start_night(root), tally)
        several = rng.random() < 0.3
        for _ in range(10):
            if tally.kills >= kills:
                break
            running = start_night(root, several=several)
            tally.kills += kill(running, rng.uniform(0.1, whole_s))
        run_to_end(start_night(root), tally)
        compare(tally, f"after {tally.kills} kills", wanted, root)
        sys.stderr.write(f"{tally.kills} kills, {len(tally.differing)} differing\n")


@contextmanager
def half_hidden(root: Path, rng: random.Random) -> Iterator[None]:
    """Half of the inbox lies elsewhere for a while; it comes back as the same files."""
    away = root.parent / "away"
    away.mkdir(exist_ok=True)
    logs = sorted((root / "inbox").iterdir())
    hidden = rng.sample(logs, len(logs) // 2)
    for path in hidden:
        path.rename(away / path.name)
    yield
    for path in hidden:
        (away / path.name).rename(path)


def run_to_end(running: subprocess.Popen, tally: Tally, *codes: int) -> None:
    """Wait for a night that must end with one of these codes (0 by default)."""
    _, stderr = running.communicate()
    tally.nights += 1
    if running.returncode not in (codes or (0,)):
        tally.differing.append(f"exit {running.returncode}: {stderr.decode()[-500:]}")


def full_disk(root: Path, tally: Tally) -> str:
    """Nights on a disk that is too small, growing until one ends; then one read-only."""
    place = Path(tempfile.mkdtemp(prefix="ridecheck-small-"))
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(place)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        place.rmdir()
        return "not tried: no right to mount a small disk here"
    broken_off = 0
    try:
        small = place / "fleet"
        subprocess.run(["mount", "-o", "remount,size=64m", str(place)], check=True)
        shutil.copytree(root, small, ignore=shutil.ignore_patterns(*KEPT))
        run_to_end(start_night(small), tally)
        wanted = state(small)
        wipe(small)
        used_kib = sum(p.stat().st_blocks for p in small.rglob("*")) // 2
        for spare_kib in (64, 256, 512, 1024, 1536, 2048, 3072, 4096, 8192, 65536):
            size = f"remount,size={used_kib + spare_kib}k"
            subprocess.run(["mount", "-o", size, str(place)], check=True)
            running = start_night(small)
            running.communicate()
            tally.nights += 1
            broken_off += running.returncode != 0
            if running.returncode == 0:
                break
        compare(tally, "full disk", wanted, small)
        shutil.rmtree(small / "results")
        subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        run_to_end(start_night(small), tally, 70)
        subprocess.run(["mount", "-o", "remount,rw,size=64m", str(place)], check=True)
        run_to_end(start_night(small), tally)
        compare(tally, "read-only", wanted, small)
    finally:
        subprocess.run(["umount", str(place)], check=True)
        place.rmdir()
    return f"{broken_off} nights broken off; one more on a disk that could only be read"


def clock_set_back(root: Path, tally: Tally, rng: random.Random) -> None:
    """The clock jumps back a year between two nights."""
    wipe(root)
    with half_hidden(root, rng):
        run_to_end(start_night(root), tally)
    run_to_end(start_night(root, clock=NOW - timedelta(days=365)), tally)


def two_at_once(root: Path, tally: Tally) -> int:
    """Two nights start together; how many of them found the folder held."""
    wipe(root)
    pair = [start_night(root, several=True) for _ in range(2)]
    for running in pair:
        run_to_end(running, tally, 0, 4)
    return sum(r.returncode == 4 for r in pair)


def inbox_in_motion(root: Path, tally: Tally, rng: random.Random) -> None:
    """Files appear, grow, go and come back while nights run; at last all lie there whole."""
    wipe(root)
    logs = {p: (p.read_bytes(), p.stat()) for p in sorted((root / "inbox").iterdir())}
    for path in logs:
        if rng.random() < 0.5:
            path.unlink()
    over = threading.Event()

    def move() -> None:
        while not over.wait(0.02):
            path = rng.choice(list(logs))
            content = logs[path][0]
            what = rng.random()
            if what < 0.2:
                path.unlink(missing_ok=True)
            elif what < 0.6:
                path.write_bytes(content[: rng.randrange(len(content) + 1)])
            else:
                path.write_bytes(content)

    mover = threading.Thread(target=move)
    mover.start()
    for _ in range(4):
        run_to_end(start_night(root), tally, 0)
    over.set()
    mover.join()
    for path, (content, _) in logs.items():
        path.write_bytes(content)
    run_to_end(start_night(root), tally)


def known_logs(count: int) -> tuple[float, int]:
    """Seconds and bytes read of a night over this many known logs of 10 MB stated size."""
    with tempfile.TemporaryDirectory() as place:
        folder = Folder(Path(place) / "fleet")
        folder.ride(day(0))
        night(folder.root, now=NOW, as_of=AS_OF)
        known = read_known(folder.root)
        (real,) = (row for rows in known.logs.values() for row in rows)
        rows = [real]
        for n in range(count):
            name = f"T01_{n:05d}.csv"
            path = folder.root / "inbox" / name
            with path.open("wb") as file:
                file.truncate(10 * 10**6)
            facts = path.stat()
            size, mtime_ns, inode = facts.st_size, facts.st_mtime_ns, facts.st_ino
            sha = f"{n:064x}"
            rows.append(LogRow(name, name, sha, size, mtime_ns, inode, "kept", ""))
        with index_update(folder.root) as update:
            update.finish(logs=rows, set_aside=(), stamps=known.stamps)
        code = (
            "import sys, pathlib; from ridecheck.cli.app import run; import ridecheck.cli;"
            "code = run(['nightly', '--fleet', sys.argv[1], '--as-of', sys.argv[2]]);"
            "print(pathlib.Path('/proc/self/io').read_text()); sys.exit(code)"
        )
        began = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-c", code, str(folder.root), AS_OF.isoformat()],
            capture_output=True,
            text=True,
            check=True,
        )
        seconds = time.monotonic() - began
        assert f"{count + 1} known" in done.stdout, done.stdout
        read = next(x for x in done.stdout.splitlines() if x.startswith("rchar"))
        return seconds, int(read.split()[1])


def main() -> int:
    """Run every scenario and print figures."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--kills", type=int, default=300)
    options.add_argument("--logs", type=int, default=60)
    options.add_argument("--known", type=int, default=10_000)
    options.add_argument("--seed", type=int, default=1)
    told = options.parse_args()
    rng = random.Random(told.seed)
    tally = Tally()
    with tempfile.TemporaryDirectory() as place:
        folder = make_fleet(Path(place) / "fleet", told.logs)
        root = folder.root
        with watched(root, tally):
            killed(root, tally, kills=told.kills, rng=rng)
            wanted = state(root)
            held = two_at_once(root, tally)
            compare(tally, "two at once", wanted, root)
            clock_set_back(root, tally, rng)
            compare(tally, "clock set back", wanted, root)
            inbox_in_motion(root, tally, rng)
            compare(tally, "inbox in motion", wanted, root, moved=True)
        disk = full_disk(root, tally)
    print(f"kills: {tally.kills} of a night over {told.logs} logs (seed {told.seed})")
    print(f"nights that ended: {tally.nights}; two at once: {held} found the folder held")
    print(f"full disk: {disk}")
    print(f"pages read meanwhile: {tally.pages_read}, torn: {tally.torn_pages}")
    print(f"differing results, reports, pages, tables: {len(tally.differing)}")
    for line in tally.differing[:40]:
        print(f"  {line}")
    if told.known:
        seconds, read = known_logs(told.known)
        print(f"{told.known} known logs of 10 MB stated size: {seconds:.2f} s, {read} bytes read")
    return bool(tally.differing or tally.torn_pages)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--night"]:
        _, _, fleet, clock, how = sys.argv
        sys.exit(do_night(Path(fleet), datetime.fromisoformat(clock), several=how == "several"))
    sys.exit(main())
