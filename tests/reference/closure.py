"""Shows that the class files close the energy balance of the simulated cases, without the engine.

For every case: what is left of the wheel energy after kinetic energy, potential energy and road load computed with the
numbers of the class file; what is left of the friction work computed from brake pressure; and the largest difference
between the terminal voltage and open-circuit voltage less resistance times current. Exits with 1 when a case does not
close within 0.1 % (energies, of the braking work) or 0.1 V.
"""

import csv
import json
import pathlib
import sys
import tomllib

import numpy as np

HERE = pathlib.Path(__file__).parent


def columns(path):
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def close(name, case):
    p = tomllib.loads((HERE / "classes" / f"{case['vehicle']}.toml").read_text())
    c = columns(HERE / "cases" / f"{name}.csv")
    dt = np.diff(c["time_s"])
    ok = dt < 10.0  # the hour between two passes is no driving
    mass = np.full(dt.shape, p["mass_kg"])
    for one in case.get("passes", []):
        mass[c["pass_id"][1:] == one["pass_id"]] = one["mass_kg"]
    # The simulation's wheels do not change with the load.
    effective = mass + p["mass_kg"] * p["rotating_mass_factor"]
    v = (c["speed_mps"][1:] + c["speed_mps"][:-1]) / 2
    ds, dh = np.diff(c["distance_m"]), np.diff(c["altitude_m"])
    slope = np.clip(np.divide(dh, ds, out=np.zeros_like(dh), where=ds > 1e-6), -1, 1)
    g, rho = p["gravity_mps2"], p["air_density_kg_m3"]
    load = (mass * g * np.sqrt(1 - slope**2) * p["rolling_coefficient"] + 0.5 * rho * p["drag_area_m2"] * v**2) * ds
    wheel = effective * np.diff(c["speed_mps"] ** 2) / 2 + mass * g * dh + load
    braking = ((c["regen_wheel_w"] + c["friction_w"])[1:] * dt)[ok].sum()
    left = (wheel - c["wheel_power_w"][1:] * dt)[ok].sum()
    friction = (c["brake_pressure_bar"][1:] * p["brake_force_per_bar_n"] * v * dt)[ok].sum()
    friction_left = friction - (c["friction_w"][1:] * dt)[ok].sum()
    soc = c["soc"][:-1]
    open_circuit = p["open_circuit_empty_v"] + (p["open_circuit_full_v"] - p["open_circuit_empty_v"]) * soc
    volts = open_circuit - p["battery_resistance_ohm"] * c["pack_current_a"][1:] - c["pack_voltage_v"][1:]
    result = left / braking, friction_left / braking, np.abs(volts[ok]).max()
    print(f"{name:20} wheel {result[0]:+.1e}  friction {result[1]:+.1e}  voltage {result[2]:.1e} V")
    return abs(result[0]) < 1e-3 and abs(result[1]) < 1e-3 and result[2] < 0.1


def main():
    truth = json.loads((HERE / "cases" / "truth.json").read_text())
    closed = [close(name, case) for name, case in truth["cases"].items()]
    print(f"{sum(closed)} of {len(closed)} cases close")
    return 0 if all(closed) else 1


if __name__ == "__main__":
    sys.exit(main())
