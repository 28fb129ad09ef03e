"""A vehicle and a server for the checks: written against the schema alone, sharing no code with the project."""

import contextlib
import csv
import importlib
import json
import math
import os
import pathlib
import signal
import subprocess
import sys
import tempfile
import threading
import time

import grpc

ROOT = pathlib.Path(__file__).resolve().parents[2]
REFERENCE = ROOT / "tests" / "reference"
START_MS = 1_773_122_400_000  # 2026-03-10T06:00:00Z


def program(name):
    directory = pathlib.Path(os.environ.get("COLDBRAKE_PROGRAMS", ROOT / "target" / "release"))
    path = directory / name
    if not path.exists():
        sys.exit(f"{path} is missing: build it with `cargo build --release --workspace`, or run tests/run")
    return path


def stubs():
    """Generates Python code from the schema, as any user of the schema would, and imports it."""
    from grpc_tools import protoc

    out = tempfile.mkdtemp(prefix="coldbrake-stubs-")
    proto = ROOT / "proto"
    files = sorted(str(p) for p in proto.glob("coldbrake/v1/*.proto"))
    if protoc.main(["protoc", f"-I{proto}", f"--python_out={out}", f"--grpc_python_out={out}", *files]) != 0:
        sys.exit("protoc cannot compile the schema")
    sys.path.insert(0, out)
    return {
        name: importlib.import_module(f"coldbrake.v1.{name}")
        for name in (
            "model_pb2",
            "telemetry_pb2",
            "telemetry_pb2_grpc",
            "descent_pb2",
            "descent_pb2_grpc",
            "fleet_pb2",
            "fleet_pb2_grpc",
        )
    }


@contextlib.contextmanager
def server():
    """Runs the server program with a store in memory on a free port; gives its address."""
    process = subprocess.Popen(
        [program("coldbrake-server"), "--listen", "127.0.0.1:0", "--admin-listen", "", "--store-kind", "memory", "--log-format", "json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    seen = []
    drain = threading.Thread(target=process.stdout.read, daemon=True)
    try:
        address = None
        for line in process.stdout:
            seen.append(line)
            with contextlib.suppress(ValueError):
                fields = json.loads(line)
                fields = {**fields, **fields.get("fields", {})}
                if "address" in fields:
                    address = fields["address"]
                    break
        if address is None:
            sys.exit("the server did not start:\n" + "".join(seen))
        drain.start()
        yield address
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(timeout=15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if drain.is_alive():
            drain.join()
        process.stdout.close()
    if process.returncode != 0:
        sys.exit(f"the server ended with {process.returncode}")


def half_away(x):
    """Rounds to a whole number, halves away from zero."""
    return int(math.copysign(math.floor(abs(x) + 0.5), x))


def read_case(name):
    with (REFERENCE / "cases" / f"{name}.csv").open(newline="") as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


def column(values):
    """First value, then differences."""
    return [value - before for value, before in zip(values, [0, *values[:-1]])]


def scaled(rows, key, per_unit):
    return [half_away(row[key] * per_unit) for row in rows]


def carried(rows, key, per_unit):
    """Rounds so that the error goes into the next value."""
    result, error = [], 0.0
    for row in rows:
        wanted = row[key] * per_unit + error
        result.append(half_away(wanted))
        error = wanted - result[-1]
    return result


def batches(pb, rows, length):
    """Turns rows into batches, numbered from 1, as the comments of the schema say."""
    whole = {
        "speed_cm_per_s": scaled(rows, "speed_mps", 100),
        "altitude_dm": scaled(rows, "altitude_m", 10),
        "brake": scaled(rows, "brake_pressure_bar", 100),
        "current_da": carried(rows, "pack_current_a", 10),
        "voltage_dv": scaled(rows, "pack_voltage_v", 10),
        "state_of_charge_bp": scaled(rows, "soc", 10_000),
    }
    time_ms = [START_MS + half_away(row["time_s"] * 1000) for row in rows]
    for number, at in enumerate(range(0, len(rows), length), start=1):
        times = time_ms[at : at + length]
        yield pb.SampleBatch(
            sequence=number,
            start_time_ms=times[0],
            time_ms=[0, *(b - a for a, b in zip(times, times[1:]))],
            **{name: column(values[at : at + length]) for name, values in whole.items()},
        )


def stream(stub, pb, model, vehicle, vehicle_class, session, rows, length, version="2.4.1"):
    """Sends rows as one session, within the credit, and waits until all is durable. Returns the refusals."""
    todo = [pb.StreamSamplesRequest(batch=b) for b in batches(pb, rows, length)]
    todo.append(pb.StreamSamplesRequest(finish=pb.FinishSession(sequence=len(todo) + 1)))
    opening = pb.OpenStream(
        vehicle=vehicle,
        session=session,
        vehicle_class=vehicle_class,
        software_version=version,
        brake_kind=model.BRAKE_KIND_PRESSURE,
        current_sign=model.CURRENT_SIGN_DISCHARGE_POSITIVE,
    )
    state = {"durable": -1, "credit": 0, "ended": False}
    changed = threading.Condition()

    def requests():
        yield pb.StreamSamplesRequest(open=opening)
        for number, request in enumerate(todo, start=1):
            with changed:
                while not state["ended"] and (state["durable"] < 0 or number - state["durable"] > state["credit"]):
                    changed.wait()
                if state["ended"]:
                    return
            yield request
        with changed:
            while not state["ended"]:
                changed.wait()

    refused = []
    try:
        for response in stub.StreamSamples(requests(), timeout=60):
            kind = response.WhichOneof("message")
            message = getattr(response, kind)
            if kind in ("opened", "ack"):
                with changed:
                    state["durable"], state["credit"] = message.durable_through, message.credit
                    changed.notify_all()
            elif kind == "rejected":
                refused.append(message)
            else:
                raise AssertionError(f"unexpected {kind}: {message}")
    finally:
        with changed:
            state["ended"] = True
            changed.notify_all()
    assert state["durable"] == len(todo), f"durable through {state['durable']} of {len(todo)}"
    return refused


@contextlib.contextmanager
def connection(address):
    with grpc.insecure_channel(address) as channel:
        grpc.channel_ready_future(channel).result(timeout=20)
        yield channel


def client(address, *arguments):
    """Runs the command line against a server; returns what it wrote to its output."""
    done = subprocess.run(
        [program("coldbrake"), *arguments],
        env={**os.environ, "COLDBRAKE_SERVER": f"http://{address}", "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        timeout=120,
    )
    if done.returncode != 0:
        raise AssertionError(f"coldbrake {' '.join(map(str, arguments))} ended with {done.returncode}:\n{done.stderr}")
    return done.stdout


def wait_for(what, seconds=10.0):
    """Waits until a condition holds."""
    end = time.monotonic() + seconds
    while not what():
        if time.monotonic() > end:
            raise AssertionError("it did not come about in time")
        time.sleep(0.05)
