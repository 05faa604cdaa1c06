"""Longitudinal dynamics of a motorcycle: road load, gradient, engine, clutch, tyre.

Everything is in SI units unless a name says otherwise (``_kmh``, ``_rpm``, ``_kpa``).
"""

import math
from dataclasses import dataclass

GRAVITY_MPS2 = 9.80665
KMH_PER_MPS = 3.6
RPM_PER_RADPS = 30.0 / math.pi
ROTATING_SHARE = 0.04
"""Wheels and gears weigh this share of the mass more when speed changes (UN GTR 2)."""


def road_load_coefficients(mass_kg: float) -> tuple[float, float]:
    """Constant part (N) and quadratic part (N per (km/h)^2) of the road load.

    The table of 40 CFR 86.529-98, Figure F98-9 follows A = 0.08739 m - 8.79 and
    C = 0.01968 + 2.752e-5 m for 110 to 340 kg; heavier touring bikes extend the lines.
    """
    return max(0.0, 0.08739 * mass_kg - 8.79), 0.01968 + 2.752e-5 * mass_kg


def road_load_n(mass_kg: float, speed_kmh: float) -> float:
    """Rolling and air resistance in N on a level road without wind.

    >>> round(road_load_n(300, 65), 1)
    135.4
    """
    constant_n, quadratic = road_load_coefficients(mass_kg)
    return constant_n + quadratic * speed_kmh * speed_kmh


def gradient_force_n(mass_kg: float, slope: float) -> float:
    """Force in N that a slope (rise over run) asks for: m g sin(atan(slope))."""
    return mass_kg * GRAVITY_MPS2 * slope / math.sqrt(1.0 + slope * slope)


def coast_down_s(mass_kg: float, *, from_kmh: float, to_kmh: float, step_s: float = 0.01) -> float:
    """Seconds to roll, clutch out of play, between two speeds on a level road.

    The mass counts without its rotating share, as the regulation's times do.
    """
    speed_kmh, elapsed_s = from_kmh, 0.0
    while True:
        change_kmh = road_load_n(mass_kg, speed_kmh) / mass_kg * step_s * KMH_PER_MPS
        if speed_kmh - change_kmh <= to_kmh:
            return elapsed_s + step_s * (speed_kmh - to_kmh) / change_kmh
        speed_kmh -= change_kmh
        elapsed_s += step_s


def engine_rpm(speed_kmh: float, *, overall_ratio: float, circumference_m: float) -> float:
    """Engine speed with the clutch locked: v / C turns of the wheel, times the ratio."""
    return speed_kmh / KMH_PER_MPS / circumference_m * overall_ratio * 60.0


def lean_rad(speed_mps: float, curvature_per_m: float) -> float:
    """Steady lean in a bend, right positive: tan(lean) = v^2 k / g."""
    return math.atan(speed_mps * speed_mps * curvature_per_m / GRAVITY_MPS2)


def reads_high_in_lean(lean: float, *, radius_m: float, crown_m: float) -> float:
    """Factor by which a wheel turns faster when leaned: R / (R - c (1 - cos lean)).

    A leaned tyre rolls on its shoulder, at a smaller radius; crown_m is the radius of
    the tread's cross-section.
    """
    return radius_m / (radius_m - crown_m * (1.0 - math.cos(lean)))


@dataclass(frozen=True, slots=True)
class Engine:
    """A simple engine map: a full-load parabola, a drag line, and a throttle between.

    torque = drag + (full - drag) share, share = 1 - exp(-opening / (breathing rpm/redline)):
    at low engine speed a small opening already gives almost everything.
    """

    peak_nm: float
    peak_rpm: float
    idle_rpm: float
    redline_rpm: float
    inertia_kgm2: float = 0.09
    breathing: float = 0.42
    drag_nm: float = 9.0
    drag_nm_per_krpm: float = 3.0

    def full_nm(self, rpm: float) -> float:
        """Full-load torque; nothing above the limiter."""
        if rpm > self.redline_rpm:
            return -self.drag(rpm)
        from_peak = (rpm - self.peak_rpm) / self.peak_rpm
        return max(0.35 * self.peak_nm, self.peak_nm * (1.0 - 0.45 * from_peak * from_peak))

    def drag(self, rpm: float) -> float:
        """Torque in N m that the closed engine takes."""
        return self.drag_nm + self.drag_nm_per_krpm * rpm / 1000.0

    def torque_nm(self, rpm: float, throttle_percent: float, *, idle_rpm: float = 0.0) -> float:
        """Torque at the crankshaft; the idle control holds the engine at its idle.

        idle_rpm: what the idle control aims at just now (a cold engine's is higher).
        """
        idle_rpm = idle_rpm or self.idle_rpm
        scale = self.breathing * max(rpm, 500.0) / self.redline_rpm
        share = 1.0 - math.exp(-throttle_percent / 100.0 / scale)
        drag = self.drag(rpm)
        torque = (self.full_nm(rpm) + drag) * share - drag
        if rpm < idle_rpm + 150.0:
            torque = max(torque, min(60.0, 0.25 * (idle_rpm - rpm)))
        return torque

    def throttle_for(self, torque_nm: float, rpm: float) -> float:
        """Opening in percent that gives a torque, within 0 and 100."""
        drag = self.drag(rpm)
        share = (torque_nm + drag) / (self.full_nm(rpm) + drag + 1e-9)
        if share <= 0.0:
            return 0.0
        scale = self.breathing * max(rpm, 500.0) / self.redline_rpm
        return min(100.0, -100.0 * scale * math.log(max(1.0 - share, 1e-4)))
