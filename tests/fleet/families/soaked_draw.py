"""How a car of the family ``soaked`` is drawn, and sized in steady running for the boost wanted of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.fleet.families.soaked_car import (
    CP_AIR,
    CP_EXHAUST,
    FLOW_REF,
    FUEL,
    GAS,
    K_AIR,
    K_EXHAUST,
    LAWS,
    PSI,
    TIP_REF,
    SoakedCar,
)
from tests.fleet.families.soaked_gas import exhaust_k


def _flow_at(car: SoakedCar, rpm: float, gauge: float) -> float:
    """Air that the engine takes in steady running. [kg/s]"""
    ve = car.ve * (1.0 - ((rpm - car.ve_rpm) / car.ve_width) ** 2)
    rise = car.air_k * (((gauge + car.baro) / car.baro) ** K_AIR - 1.0) / 0.72
    return float(car.litres / 120.0 / GAS * ve * rpm * (gauge + car.baro) / (car.air_k + 6.0 + (1.0 - car.cool) * rise))


def _sized(car: SoakedCar, *, q_rpm: float, q_gauge: float, q_share: float) -> SoakedCar:
    """Compressor sized so that it stands at a share of its choke flow at an operating point."""
    flow = _flow_at(car, q_rpm, q_gauge)
    ratio = (car.baro + q_gauge + car.cooler_drop * (flow / FLOW_REF) ** 2) / car.baro
    lift = CP_AIR * car.air_k * (ratio**K_AIR - 1.0)
    tip = np.sqrt(lift / (car.head * (1.0 - q_share**car.stall)))
    volume = flow * GAS * car.air_k / (car.baro * 1e3)
    return replace(car, q_max=float(volume / (q_share * tip / TIP_REF)))


def _needs(car: SoakedCar, rpm: float, gauge: float) -> tuple[float, float, float, float]:
    """Flow [kg/s], compressor power [W], exhaust temperature [K] and pipe pressure [kPa] of steady running."""
    flow = _flow_at(car, rpm, gauge)
    ratio = (car.baro + gauge) / (car.baro - car.intake_drop * (flow / FLOW_REF) ** 2)
    power = flow * CP_AIR * car.air_k * (ratio**K_AIR - 1.0) / (car.eta_c * 0.95) + 0.012 * TIP_REF**2
    return flow, power, float(exhaust_k(car, rpm, gauge)), car.baro + car.pipe_kpa * (flow / FLOW_REF) ** 2


def _spools(car: SoakedCar, rpm: float, gauge: float) -> SoakedCar:
    """Turbine sized so that, gate shut, it just makes this boost at this rpm when given time."""
    flow, power, t3, p4 = _needs(car, rpm, gauge)
    used = min(power / (FUEL * flow * CP_EXHAUST * t3 * car.eta_t), 0.35)
    p3 = p4 * (1.0 - used) ** (-1.0 / K_EXHAUST)
    return replace(car, k_turb=float(FUEL * flow * np.sqrt(t3) / np.sqrt(p3**2 - p4**2)))


def _holds(car: SoakedCar, rpm: float, gauge: float) -> SoakedCar:
    """Gate sized so that, fully open, it can just keep boost this low at this rpm."""
    flow, power, t3, p4 = _needs(car, rpm, gauge)
    low, high = car.k_turb, 60.0 * car.k_turb
    for _ in range(50):
        k_all = np.sqrt(low * high)
        p3 = np.sqrt(p4**2 + (FUEL * flow * np.sqrt(t3) / k_all) ** 2)
        made = FUEL * flow * car.k_turb / k_all * CP_EXHAUST * t3 * car.eta_t * (1.0 - (p4 / p3) ** K_EXHAUST)
        low, high = (k_all, high) if made > power else (low, k_all)
    return replace(car, k_gate=float(max(high - car.k_turb, 0.15 * car.k_turb)))


def draw(kind: str, random: np.random.Generator) -> tuple[SoakedCar, float]:
    """A car of a kind, and the boost it is meant for. [kPa gauge]"""
    u = random.uniform
    laggy, restrictive, free = kind == "large and laggy", kind == "restrictive exhaust", kind == "free-flowing"
    touchy, breath, small = kind == "touchy solenoid", kind == "out of breath", kind == "gate too small"
    floor = {"soft spring": u(3.8, 5.5), "stiff spring": u(12.5, 18.0), "gate too small": u(6.0, 9.5)}.get(
        kind, u(7.0, 12.0)
    )
    level = floor * u(1.45, 2.2)
    if kind == "soft spring":
        level = floor * u(2.3, 3.3)
    level = float(np.clip(level, u(10.3, 12.0), u(21.0, 23.5)))
    litres = u(1.4, 3.4)
    rpm_start, rpm_end = u(1900, 2500), u(6700, 7700)
    if laggy:
        rpm_start, rpm_end = u(2200, 2900), u(7300, 8300)
    law = int(random.integers(0, 5))
    dead = {0: u(0.0, 0.03), 1: u(0.0, 0.05), 2: u(0.02, 0.12), 3: u(0.0, 0.06), 4: u(0.03, 0.11)}[law]
    rate = float(np.exp(u(np.log(10.0), np.log(100.0))))
    scale = litres / 2.0
    car = SoakedCar(
        rate_hz=float(min(max(round(rate), 10), 100)),
        noise=u(0.3, 1.5),
        baro=float(np.clip(101.8 - random.exponential(4.5), 80.0, 102.0)),
        air_k=u(280, 312),
        rpm_start=rpm_start,
        rpm_end=rpm_end,
        sweep=float(np.clip((rpm_end - rpm_start) / u(5.5, 10.5), 400, 880)),
        sweep_load=float(random.choice([0.0, u(0.1, 0.4)])),
        hold_s=u(0.1, 0.8),
        litres=litres,
        ve=u(0.84, 0.98),
        ve_rpm=u(4000, 5200),
        ve_width=u(6000, 9500),
        cool=u(0.6, 0.88),
        cooler_drop=u(1.5, 7.0) / scale**2,
        intake_drop=u(0.8, 4.0) / scale**2,
        exh_k=u(1020, 1170),
        pipe_kpa=(u(22, 48) if restrictive else u(2, 7) if free else u(6, 20)) / scale**1.7,
        inertia=0.021 * scale**1.5 * (u(1.7, 2.8) if laggy else u(0.55, 1.4)),
        head=u(0.62, 0.74),
        stall=u(3.0, 6.0),
        q_max=0.3,
        eta_c=u(0.70, 0.78),
        eta_t=u(0.60, 0.70),
        k_turb=0.03,
        fill_s=u(0.03, 0.08),
        k_gate=0.05,
        area_bend=u(0.2, 1.3),
        preload=floor * PSI * u(0.60, 0.88),
        stiffness=u(20, 46) + 0.14 * floor * PSI,
        push=u(0.12, 0.26) if restrictive else u(0.01, 0.06) if free else u(0.02, 0.12),
        flap_s=u(0.015, 0.05),
        stick=u(0.05, 0.7),
        at_manifold=float(random.random() < 0.6),
        dead_low=u(5, 20),
        dead_high=u(5, 20),
        bleed=u(0.80, 0.95) if kind == "soft spring" else u(0.60, 0.93),
        curve=u(0.7, 1.6),
        s_mix=u(0.85, 1.0) if touchy else u(0.0, 0.8),
        s_steep=u(8.0, 12.0) if touchy else u(3.5, 6.5),
        bleed_lean=u(-0.08, 0.08),
        sol_s=u(0.03, 0.14),
        hose_s=u(0.02, 0.09),
        vent=u(1.0, 1.8),
        law=LAWS[law],
        k_law=(u(0.25, 0.7) if touchy else u(0.35, 1.3)) * (1.3 if law == 2 else 1.0),
        gain_top=10.0,
        i_rate=u(0.8, 3.0),
        trim=u(15, 35),
        sensor_s=u(0.015, 0.05),
        dead_s=dead,
        tick_s=u(0.06, 0.16),
        window=u(2.5, 5.0),
        slew=u(8, 40),
        hand_rate=float(random.choice([1e5, u(250, 1200)])),
        rearm=u(0.55, 0.85),
        drift=0.008,
        soak=u(0.008, 0.05),
        wander=u(0.002, 0.012),
        gauge_s=u(0.02, 0.1),
        rpm_noise=u(2, 12),
    )
    top = rpm_end
    if breath:
        car = _sized(
            car, q_rpm=rpm_start + u(0.72, 0.86) * (top - rpm_start), q_gauge=level * PSI, q_share=u(0.93, 0.98)
        )
    else:
        car = _sized(car, q_rpm=top, q_gauge=1.08 * level * PSI, q_share=u(0.72, 0.86) if laggy else u(0.78, 0.93))
    span = top - rpm_start
    car = _spools(car, rpm_start + (u(0.26, 0.38) if laggy else u(0.16, 0.32)) * span, 0.8 * level * PSI)
    car = _holds(car, rpm_start + u(0.55, 0.85) * span if small else top, floor * PSI)
    spare = 1.0 if small else u(1.05, 1.7) if kind == "soft spring" else u(1.1, 1.8)
    return replace(car, k_gate=car.k_gate * spare), level * PSI
