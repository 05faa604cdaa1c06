#!/usr/bin/env bash
# Build the wheel, install it into a new environment outside the checkout and use it from
# a third folder, so that a file missing from the wheel cannot hide behind the checkout.
#   tests/wheel.sh PYTHON
set -euo pipefail
python=$1
checkout=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
unset PYTHONPATH PYTHONHOME
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
mkdir "$scratch/wheel" "$scratch/elsewhere"

"$python" -m pip wheel --quiet --disable-pip-version-check --no-deps \
    --wheel-dir "$scratch/wheel" "$checkout"
"$python" - "$checkout" "$scratch"/wheel/ridecheck-*.whl <<'PYTHON'
import subprocess
import sys
import zipfile

checkout, wheel = sys.argv[1:]
folders = ("ridecheck", "schemas", "pipelines", "sample_logs")
listed = subprocess.run(
    ["git", "ls-files", "-z", *folders], cwd=checkout, capture_output=True, text=True, check=True
).stdout.split("\0")
inside = set(zipfile.ZipFile(wheel).namelist())
wanted = {n if n.startswith("ridecheck/") else f"ridecheck/_data/{n}" for n in listed if n}
if missing := sorted(wanted - inside):
    sys.exit(f"not in the wheel: {', '.join(missing[:10])}")
print(f"{len(wanted)} tracked files are in the wheel")
PYTHON
"$python" -m venv "$scratch/env"
"$scratch/env/bin/python" -m pip install --quiet --disable-pip-version-check \
    -c "$checkout/constraints.txt" "$scratch"/wheel/ridecheck-*.whl

cd "$scratch/elsewhere"
ridecheck=$scratch/env/bin/ridecheck
here=$("$scratch/env/bin/python" -c 'import ridecheck; print(ridecheck.__file__)')
case $here in
    "$scratch"/env/*) ;;
    *) echo "the wheel is not what was imported: $here" >&2; exit 1 ;;
esac

"$ridecheck" --help >help.txt
"$ridecheck" demo fleet >board.txt
head -n 1 board.txt
"$ridecheck" screen --fleet fleet --fail-on never --format json >report.json
"$scratch/env/bin/python" - <<'PYTHON'
import json

bikes = json.load(open("report.json", encoding="utf-8"))["bikes"]
assert bikes, "the report of the demo fleet holds no bike"
assert {b["verdict"] for b in bikes} >= {"keep_in", "release"}, bikes
PYTHON
test -s fleet/reports/index.html
"$ridecheck" explain >rules.txt
test -s rules.txt
"$ridecheck" init new-fleet
test -s new-fleet/fleet.toml
"$ridecheck" schema model >model.schema.json
"$scratch/env/bin/python" -m json.tool model.schema.json >/dev/null

echo "the wheel works outside the checkout"
