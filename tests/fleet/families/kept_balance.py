"""What a car of the family ``kept`` needs at held rpm: gate, pressure on its diaphragm, and duty for a boost.

The equations of ``kept_gas`` turned round, without time. Used to size a car, and to know that its job can be done.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from models.units import FloatArray
from tests.fleet.families.kept_car import KeptCar, columns, table_of
from tests.fleet.families.kept_gas import air_flow, can_signal, compressor, exhaust, turbine_kw

_HALVINGS = 44


def outlet_of(c: SimpleNamespace, rpm: FloatArray, boost: FloatArray) -> FloatArray:
    """Pressure at the compressor where the engine sees a boost. [kPa gauge]"""
    air = air_flow(c, rpm, boost) / (1.0 - c.leak)
    outlet: FloatArray = boost + c.cooler * air * air
    return outlet


def needed(c: SimpleNamespace, rpm: FloatArray, boost: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Tip speed [100 m/s] and power [kW] with which the compressor holds a boost; 1000 kW where it never can."""
    air = air_flow(c, rpm, boost) / (1.0 - c.leak)
    rise = (1.0 + outlet_of(c, rpm, boost) / c.ambient) ** (1.0 / 3.5) - 1.0
    low, high = np.full(rise.shape, 0.4), np.full(rise.shape, 9.0)
    for _ in range(_HALVINGS):
        tip = 0.5 * (low + high)
        enough = compressor(c, tip, air)[0] > rise
        low, high = np.where(enough, low, tip), np.where(enough, tip, high)
    return high, np.where(high > 8.9, 1e3, compressor(c, high, air)[1])


def spare_kw(c: SimpleNamespace, rpm: FloatArray, boost: FloatArray, gate: FloatArray) -> FloatArray:
    """Power of the turbine beyond what the compressor needs, at a boost and a nozzle of the gate. [kW]"""
    tip, used = needed(c, rpm, boost)
    spare: FloatArray = turbine_kw(c, *exhaust(c, rpm, air_flow(c, rpm, boost), gate), tip) - used
    return spare


def gate_for(c: SimpleNamespace, rpm: FloatArray, boost: FloatArray) -> FloatArray:
    """Nozzle of the gate with which a boost stands; next to 0 where even a shut gate gives less. [as ``nozzle``]"""
    low, high = np.full(boost.shape, -14.0), np.full(boost.shape, 1.0)
    tip, used = needed(c, rpm, boost)
    air = air_flow(c, rpm, boost)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        more = turbine_kw(c, *exhaust(c, rpm, air, np.exp(middle)), tip) > used
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    return np.asarray(np.exp(low))


def duty_for(car: KeptCar, rpm: FloatArray, boost: FloatArray) -> FloatArray:
    """Duty with which a boost stands at a held rpm, friction and hysteresis in the middle. [%]

    Below 0 where the spring alone gives more, above 100 where no duty gives as much.
    """
    c = columns([car])
    gate = gate_for(c, rpm, boost)
    open_part = np.minimum(gate / c.gate, 0.9999) * np.tanh(c.swing)
    lift = np.arctanh(open_part) / c.swing
    _, _, before, behind = exhaust(c, rpm, air_flow(c, rpm, boost), gate)
    signal = c.preload + c.stiffness * lift - c.flap * (before - behind)
    outlet = outlet_of(c, rpm, boost)
    hose = boost + c.port * (outlet - boost)
    # What duty leaves of the hose's pressure; the slopes at both ends only tell how far out of reach a boost is.
    left = can_signal(c, np.ones(1), table_of(car))
    duty = np.linspace(0.0, 100.0, left.size)
    grow = 1e-9 * np.arange(left.size)
    found = np.interp(-signal / hose, -left + grow, duty, left=-5.0, right=105.0)
    # The least duty of a flat piece is in its dead band: the pieces' other end is the one that acts.
    found = np.where(found < 0.0, found, np.maximum(found, car.dead_low))
    return np.where(gate >= 0.9999 * c.gate, -5.0, np.where(np.log(gate) < -13.9, 105.0, found))


def with_nozzle(car: KeptCar, rpm: float, boost: float, *, lowest: float = 0.012, highest: float = 0.09) -> KeptCar:
    """The turbine with which a shut gate gives just this boost."""
    low, high = lowest, highest
    at, level = np.array([rpm]), np.array([boost])
    for _ in range(30):
        middle = 0.5 * (low + high)
        more = float(spare_kw(columns([replace(car, nozzle=middle)]), at, level, np.zeros(1))[0]) > 0.0
        low, high = (middle, high) if more else (low, middle)
    return replace(car, nozzle=low)


def with_choke(car: KeptCar, rpm: float, boost: float) -> KeptCar:
    """The compressor with which a shut gate gives just this boost."""
    low, high = 0.08, 0.9
    at, level = np.array([rpm]), np.array([boost])
    for _ in range(30):
        middle = 0.5 * (low + high)
        more = float(spare_kw(columns([replace(car, choke=middle)]), at, level, np.zeros(1))[0]) > 0.0
        low, high = (low, middle) if more else (middle, high)
    return replace(car, choke=high)
