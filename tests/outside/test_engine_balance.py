"""The engine's time steps against published constants and against the same laws written out one by one.

Sources: Ng, Frisk, Krysander, Eriksson, IEEE Control Systems Magazine 40(2), 2020 (1.8 L engine, compressor map);
Wahlström & Eriksson 2011 (rotor and volume equations, their constants).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models import air
from models.car_parts import Car, Day, Engine, Gate, Turbo
from models.engine import GATE_CRITICAL, EngineBatch

ONE = np.ones(1)
NONE = np.zeros(1)


def batch(car: Car, step_s: float = 1e-5) -> EngineBatch:
    return EngineBatch([car], ONE, NONE, step_s)


def published_map_car() -> Car:
    """The published wheel at the published 298 K and sea level, no losses."""
    turbo = replace(Turbo(), wheel_m=0.06, efficiency_fall=0.0, overspeed_fall=0.0)
    return Car(turbo=turbo, day=Day(altitude_m=0.0, air_k=298.0), engine=Engine(intake_restriction=0.0))


def spin(engine: EngineBatch, rad_s: float) -> None:
    engine.energy = 0.5 * engine.inertia * rad_s**2


def test_defaults_are_the_published_engine() -> None:
    # Table of the 1.8 L engine: bore = stroke = 83.1 mm, four cylinders; gate 3.5e-4 m2 with Cd 0.9; and so on.
    assert Engine().displacement_m3 == pytest.approx(4 * np.pi / 4 * 0.0831**3, rel=1e-4)
    assert Engine().intercooler == 0.8
    assert Turbo().compressor_efficiency == 0.80
    assert Turbo().turbine_efficiency == 0.75
    assert Turbo().inertia == 3e-5
    assert Gate().area_m2 == pytest.approx(3.5e-4 * 0.9)
    assert (Turbo().psi_max, Turbo().phi_max) == (2.3, 0.12)


def test_compressor_map_point() -> None:
    """Psi 1.15 gives Phi 0.103923: the flow that the engine draws, turned back into Phi."""
    engine, rad_s = batch(published_map_car()), 18000.0
    turns = rad_s / (2 * np.pi)
    head = 1.15 * (turns * 0.06) ** 2 / (air.CP_AIR * 298.0)
    spin(engine, rad_s)
    engine.p_charge = 101325.0 * (1.0 + head) ** (air.GAMMA_AIR / (air.GAMMA_AIR - 1.0)) * ONE
    flow, _, _ = engine.compressor(101325.0 * ONE)
    phi = flow * air.R_AIR * 298.0 / (101325.0 * turns * 0.06**3)
    assert phi[0] == pytest.approx(0.103923, rel=1e-5)


@pytest.mark.parametrize(("rad_s", "ratio"), [(15000.0, 1.6687), (24000.0, 3.2736)])
def test_pressure_ratio_at_which_flow_ends(rad_s: float, ratio: float) -> None:
    engine = batch(published_map_car())
    spin(engine, rad_s)

    def flow_at(pressure_ratio: float) -> float:
        engine.p_charge = 101325.0 * pressure_ratio * ONE
        return float(engine.compressor(101325.0 * ONE)[0][0])

    # Five digits are published; the map's root is vertical there, so 1e-3 to either side tells flow from none. The
    # engine keeps one hundredth of the greatest flow beyond the edge, for its time step's sake.
    greatest = flow_at(1.0)
    assert flow_at(ratio * (1 - 1e-3)) > 0.03 * greatest
    assert flow_at(ratio * (1 + 1e-4)) <= 0.0101 * greatest


def volumes_of_wahlstroem_and_eriksson() -> Car:
    engine = Engine(charge_volume_m3=0.022, exhaust_volume_m3=0.020, intake_restriction=0.0, exhaust_restriction=0.0)
    return Car(engine=engine, turbo=replace(Turbo(), inertia=2e-4))


@pytest.mark.parametrize(("rad_s", "charge_kpa", "exhaust_kpa", "lift"), [(9e3, 150, 160, 0.0), (13e3, 190, 210, 0.5)])
def test_one_step_obeys_the_rotor_and_volume_equations(
    rad_s: float, charge_kpa: float, exhaust_kpa: float, lift: float
) -> None:
    """d omega/dt = (P_t eta_m - P_c)/(J omega) and dp/dt = R T (W_in - W_out)/V, their constants, our flows."""
    car = volumes_of_wahlstroem_and_eriksson()
    step = 1e-6  # short, so that what the step does to keep itself stable is no part of the difference
    engine = batch(car, step)
    spin(engine, rad_s)
    engine.set_speed(4500.0 * ONE)
    engine.p_charge, engine.p_exhaust = charge_kpa * 1e3 * ONE, exhaust_kpa * 1e3 * ONE
    engine.p_plenum, engine.lift, engine.charge_k = engine.p_charge * 1.0, lift * ONE, 320.0 * ONE
    engine.air_flow = 0.1 * ONE
    # Let the algebraic parts (plenum, pipe) settle on the frozen state, then take the step to be judged.
    for _ in range(2):
        frozen = engine.p_charge * 1.0, engine.p_exhaust * 1.0, engine.energy * 1.0, engine.charge_k * 1.0
        engine.advance(ONE, NONE)
        moved = engine.p_charge * 1.0, engine.p_exhaust * 1.0, engine.energy * 1.0
        engine.p_charge, engine.p_exhaust, engine.energy, engine.charge_k = frozen
        engine.lift = lift * ONE
    ambient = float(engine.ambient_pa[0])

    compressor_flow, rise, _ = engine.compressor(ambient * ONE)
    drawn = float(engine.air_flow[0])
    speed = rad_s
    ratio = ambient / (exhaust_kpa * 1e3)
    exhaust_k = car.engine.exhaust_k + car.engine.exhaust_rise_k * drawn / 0.2
    jet = np.sqrt(2 * air.CP_EXHAUST * exhaust_k * air.expansion_drop(ratio))
    speed_ratio = speed * car.turbo.turbine_wheel_m / 2 / jet
    turbine_eta = car.turbo.turbine_efficiency * (1 - (speed_ratio / 0.7 - 1) ** 2)
    scale = exhaust_kpa * 1e3 / np.sqrt(air.R_EXHAUST * exhaust_k) * air.choked_factor(air.GAMMA_EXHAUST)
    turbine_flow = car.turbo.turbine_area_m2 * scale * air.ellipse_factor(ratio, 0.38)
    gate_flow = air.orifice_flow(
        car.gate.area_m2 * lift, exhaust_kpa * 1e3, ambient, exhaust_k, gamma=air.GAMMA_EXHAUST, gas_constant=290.0
    )
    turbine_w = air.turbine_power_w(turbine_flow, exhaust_k, ratio, turbine_eta)
    compressor_eta = float(
        (air.compressor_outlet_k(car.day.air_k, charge_kpa * 1e3 / ambient, 1.0) - car.day.air_k) / rise[0]
    )
    compressor_w = air.compressor_power_w(compressor_flow[0], car.day.air_k, charge_kpa * 1e3 / ambient, compressor_eta)
    d_omega = (turbine_w * car.turbo.shaft_efficiency - compressor_w) / (2e-4 * speed)
    d_energy = float((moved[2] - frozen[2])[0]) / step
    assert d_energy / (2e-4 * speed) == pytest.approx(float(d_omega), rel=2e-3)
    d_charge = air.R_AIR * 320.0 * (compressor_flow[0] - drawn) / 0.022
    assert float((moved[0] - frozen[0])[0]) / step == pytest.approx(d_charge, rel=2e-3)
    out = turbine_flow + gate_flow
    d_exhaust = air.R_EXHAUST * exhaust_k * (drawn * (1 + 1 / car.engine.air_fuel_ratio) - out) / 0.020
    # The gate is an ellipse in the engine and isentropic here: 0.31 % of its choked flow.
    allowed = air.R_EXHAUST * exhaust_k / 0.020 * 0.0035 * (turbine_flow + gate_flow)
    assert float((moved[1] - frozen[1])[0]) / step == pytest.approx(float(d_exhaust), abs=float(allowed))
    assert pytest.approx(0.5457, abs=1e-3) == GATE_CRITICAL


def test_cylinders_draw_by_speed_density() -> None:
    """Throttle open, steady speed: flow equals Heywood's speed-density law at the plenum's pressure."""
    car = Car(engine=Engine(residual=0.0))
    engine = batch(car, 0.005)
    engine.set_speed(car.engine.breathing_rpm * ONE)
    for _ in range(1500):
        engine.advance(ONE, NONE)
    by_law = air.speed_density_flow(
        car.engine.displacement_m3, car.engine.breathing_rpm, engine.p_plenum, engine.charge_k, car.engine.breathing
    )
    assert engine.air_flow[0] == pytest.approx(float(by_law[0]), rel=1e-4)


def test_charge_air_leaves_the_intercooler_as_its_effectiveness_says() -> None:
    car = Car()
    engine = batch(car, 0.005)
    engine.set_speed(5000.0 * ONE)
    for _ in range(2500):
        engine.advance(ONE, 0.4 * ONE)
    inlet = engine.ambient_pa - car.engine.intake_restriction * engine.air_flow**2
    _, rise, _ = engine.compressor(inlet)
    # Effectiveness 0.8 (published): the air keeps a fifth of its rise over the surrounding air.
    assert engine.charge_k[0] - car.day.air_k == pytest.approx(0.2 * float(rise[0]), rel=1e-3)
