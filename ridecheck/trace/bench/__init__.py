"""Controls at the bench: what a log shows of each while somebody works it, the bike standing."""

from ridecheck.trace.bench.controls import read_bench
from ridecheck.trace.bench.plan import plan
from ridecheck.trace.bench.records import BenchReading, ControlRead, Step

__all__ = ["BenchReading", "ControlRead", "Step", "plan", "read_bench"]
