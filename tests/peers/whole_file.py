"""A whole log through `coldbrake analyse` and through two general-purpose engines for tables, each in a process of its own.

    python whole_file.py PROGRAM SAMPLES [--json FILE]

Checks that all find the same energies, then prints wall-clock and processor time of each.
"""

import argparse
import json
import os
import pathlib
import resource
import subprocess
import sys
import tempfile
import time

import energies
import log

CLASS = f"""
vehicle_class = "peer-van"
mass_kg = {log.MASS_KG}
rotating_mass_factor = {log.FACTOR}
rolling_coefficient = {log.ROLLING}
drag_area_m2 = {log.DRAG_AREA}
max_recovery_power_w = 100e3
recovery_efficiency = {log.EFFICIENCY}
auxiliary_power_w = {log.AUXILIARY_W}
nominal_voltage_v = 360.0
brake_force_per_bar_n = {log.BRAKE_N_PER_BAR}
brake_released_at = RELEASED
gravity_mps2 = {log.GRAVITY}
air_density_kg_m3 = {log.DENSITY}
"""
RELEASED = 0.5
COLUMNS = "time=time_ms:ms,speed=speed_mps:m/s,altitude=altitude_m:m,brake=brake_bar:bar,current=current_a:A,voltage=voltage_v:V,soc=soc:1"
# Ends of a descent may differ by a stretch of 10 m at either end, of some 19 km.
TOLERANCE = 2e-3


def spent(work):
    """Runs `work` and returns its result, wall-clock and processor seconds of this process and its children."""
    def processor():
        return sum(sum(resource.getrusage(who)[:2]) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))

    wall, cpu = time.monotonic(), processor()
    result = work()
    return result, time.monotonic() - wall, processor() - cpu


def ours(program, directory):
    command = [program, "analyse", directory / "log.csv", "--class", directory / "van.toml", "--policy", directory / "policy.toml"]
    command += ["--current", "charge-positive", "--columns", COLUMNS, "--format", "json", "--quiet"]
    text = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    found = json.loads(text)
    descents = found["descents"] if isinstance(found, dict) else found
    total = lambda name: sum(d[name]["value"] if isinstance(d[name], dict) else d[name] for d in descents)
    return len(descents), total("available_j"), total("recovered_j"), total("friction_j")


def peer(arguments):
    """Runs a peer in this process, asked for by its parent."""
    name, path = arguments
    path = pathlib.Path(path)
    threads = os.cpu_count()
    row = energies.by_duckdb(path, RELEASED, threads) if name == "duckdb" else energies.by_polars(path, RELEASED)
    print(json.dumps(row))


def child(name, path):
    command = [sys.executable, __file__, "--peer", name, str(path)]
    return tuple(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))


def main():
    if sys.argv[1:2] == ["--peer"]:
        return peer(sys.argv[2:])
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("program")
    parser.add_argument("samples", type=int)
    parser.add_argument("--json")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        directory = pathlib.Path(folder)
        samples = log.write(asked.samples, directory)
        (directory / "van.toml").write_text(CLASS.replace("RELEASED", str(RELEASED)))
        (directory / "policy.toml").write_text("altitude_noise_m = 0.0\n")
        works = {"coldbrake, CSV": lambda: ours(asked.program, directory)}
        for name in ("duckdb", "polars"):
            for kind in ("csv", "parquet"):
                works[f"{name}, {kind}"] = lambda name=name, kind=kind: child(name, directory / f"log.{kind}")
        rows = {}
        for name, work in works.items():
            work() if samples <= 2_000_000 else None
            result, wall, cpu = spent(work)
            rows[name] = {"result": result, "wall_s": wall, "cpu_s": cpu}
    truth = rows["coldbrake, CSV"]["result"]
    agree = True
    print(f"{samples} samples, {os.cpu_count()} cores")
    for name, row in rows.items():
        off = max(abs(a - b) / abs(b) for a, b in zip(row["result"], truth))
        agree &= off <= TOLERANCE
        print(f"{name:18} {row['wall_s']:8.2f} s  {row['cpu_s']:8.2f} s of processor  {samples / row['wall_s'] / 1e6:7.2f} M samples/s  differs by {off:.1e}")
    if asked.json:
        pathlib.Path(asked.json).write_text(json.dumps({"samples": samples, "cores": os.cpu_count(), "rows": rows}, indent=1))
    if not agree:
        sys.exit("the energies differ: see above")


if __name__ == "__main__":
    main()
