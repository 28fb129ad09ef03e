"""A whole log through `coldbrake analyse` and through two general-purpose engines for tables, each in a process of its own.

    python whole_file.py PROGRAM SAMPLES [--rounds N] [--json FILE]

Each reads the log as CSV and as Parquet, in turn and N times over, when the file has just been read by another program. Checks
that all find the same energies, then prints the median of wall-clock and processor time of each, and how many times longer the
faster of the two others takes. `coldbrake` is timed from the start of its process to the end, the others from the moment at which
they are loaded.
"""

import argparse
import json
import os
import pathlib
import resource
import statistics
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
KINDS, PEERS = ("csv", "parquet"), ("duckdb", "polars")
# Ends of a descent may differ by a stretch of 10 m at either end, of some 19 km.
TOLERANCE = 2e-3


def spent(who, work):
    """Runs `work` and returns its result, wall-clock and processor seconds of this process or of its children."""
    def processor():
        return sum(resource.getrusage(who)[:2])

    wall, cpu = time.monotonic(), processor()
    result = work()
    return result, time.monotonic() - wall, processor() - cpu


def ours(program, path):
    directory = path.parent
    command = [program, "analyse", path, "--class", directory / "van.toml"]
    command += ["--current", "charge-positive", "--columns", COLUMNS, "--format", "json", "--quiet"]
    work = lambda: subprocess.run(command, check=True, capture_output=True, text=True).stdout
    text, wall, cpu = spent(resource.RUSAGE_CHILDREN, work)
    found = json.loads(text)
    descents = found["descents"] if isinstance(found, dict) else found
    total = lambda name: sum(d[name]["value"] if isinstance(d[name], dict) else d[name] for d in descents)
    return (len(descents), total("available_j"), total("recovered_j"), total("friction_j")), wall, cpu


def peer(name, path):
    """Runs a peer in this process, asked for by its parent."""
    path, threads = pathlib.Path(path), os.cpu_count()
    by = {"duckdb": lambda: energies.by_duckdb(path, RELEASED, threads), "polars": lambda: energies.by_polars(path, RELEASED)}
    print(json.dumps(spent(resource.RUSAGE_SELF, by[name])))


def child(name, path):
    command = [sys.executable, __file__, "--peer", name, str(path)]
    result, wall, cpu = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return tuple(result), wall, cpu


def warm(path):
    """Reads a file, so that it is in memory for whoever reads it next."""
    with open(path, "rb", buffering=0) as file:
        while file.read(1 << 24):
            pass


def main():
    if sys.argv[1:2] == ["--peer"]:
        return peer(*sys.argv[2:])
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("program")
    parser.add_argument("samples", type=int)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--json")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        directory = pathlib.Path(folder)
        samples = log.write(asked.samples, directory)
        (directory / "van.toml").write_text(CLASS.replace("RELEASED", str(RELEASED)))
        works = {}
        for kind in KINDS:
            path = directory / f"log.{kind}"
            works["coldbrake", kind] = path, lambda path=path: ours(asked.program, path)
            for name in PEERS:
                works[name, kind] = path, lambda name=name, path=path: child(name, path)
        found = {who: [] for who in works}
        for _ in range(asked.rounds):
            for who, (path, work) in works.items():
                warm(path)
                found[who].append(work())
        sizes = {kind: (directory / f"log.{kind}").stat().st_size for kind in KINDS}
    truth = found["coldbrake", "csv"][0][0]
    agree = True
    rows = []
    print(f"{samples} samples, {os.cpu_count()} cores, median of {asked.rounds}")
    for (name, kind), runs in found.items():
        wall, cpu = (statistics.median(run[i] for run in runs) for i in (1, 2))
        off = max(abs(a - b) / abs(b) for run in runs for a, b in zip(run[0], truth))
        agree &= off <= TOLERANCE
        rows.append({
            "program": name, "file": kind, "wall_s": wall, "cpu_s": cpu, "cpu_s_per_million": cpu / samples * 1e6,
            "samples_per_s": samples / wall, "wall_s_of_rounds": [run[1] for run in runs], "result": runs[0][0], "differs_by": off,
        })
        print(f"{name + ', ' + kind:18} {wall:8.2f} s  {cpu:8.2f} s of processor  {samples / wall / 1e6:7.2f} M samples/s  differs by {off:.1e}")
    ratios = {}
    for kind in KINDS:
        wall = {row["program"]: row["wall_s"] for row in rows if row["file"] == kind}
        fastest = min(PEERS, key=wall.get)
        ratios[kind] = {"faster_peer": fastest, "times": wall[fastest] / wall["coldbrake"]}
        print(f"{kind}: {fastest}, the faster of the others, takes {ratios[kind]['times']:.2f} times as long as coldbrake")
    if asked.json:
        document = {"samples": samples, "cores": os.cpu_count(), "rounds": asked.rounds, "bytes": sizes, "rows": rows, "ratios": ratios}
        pathlib.Path(asked.json).write_text(json.dumps(document, indent=1))
    if not agree:
        sys.exit("the energies differ: see above")


if __name__ == "__main__":
    main()
