"""The samples of a fleet in a general-purpose database: durable ingest message by message, then the energies of every descent
by a query. Prints processor seconds of the database a million samples.

    python database.py SAMPLES [--json FILE]

Starts a cluster of its own on a socket in a temporary directory and ends it. As root it runs as the user `postgres` or `nobody`.
"""

import argparse
import json
import os
import pathlib
import pwd
import shutil
import signal
import subprocess
import tempfile
import time

import energies
import log

ROWS_OF_A_MESSAGE = 50
QUERY = energies.SQL.replace("max_by(time_ms, altitude_m)", "(array_agg(time_ms ORDER BY altitude_m DESC, time_ms))[1]").replace(
    "min_by(time_ms, altitude_m)", "(array_agg(time_ms ORDER BY altitude_m, time_ms))[1]"
)


def program(name):
    found = shutil.which(name) or next(iter(sorted(pathlib.Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), reverse=True)), None)
    if found is None:
        raise SystemExit(f"{name} is not there: install PostgreSQL (apt-get install postgresql)")
    return str(found)


class Cluster:
    """A database server of our own, as durable as it comes."""

    def __init__(self, directory):
        self.directory = directory
        self.user = None
        if os.geteuid() == 0:
            names = {entry.pw_name for entry in pwd.getpwall()}
            self.user = "postgres" if "postgres" in names else "nobody"
            shutil.chown(directory, self.user)
        self.data = directory / "data"
        subprocess.run([program("initdb"), "-D", self.data, "-A", "trust", "-U", "peer"], check=True, stdout=subprocess.DEVNULL, user=self.user, cwd=directory)
        settings = ["-k", str(directory), "-h", "", "-c", "max_wal_size=4GB", "-c", "shared_buffers=512MB", "-c", "work_mem=256MB"]
        with open(directory / "log", "w") as out:
            self.process = subprocess.Popen([program("postgres"), "-D", self.data, *settings], user=self.user, cwd=directory, stdout=out, stderr=out)
        for _ in range(100):
            if subprocess.run([program("pg_isready"), "-q", "-h", directory]).returncode == 0:
                return
            time.sleep(0.1)
        raise SystemExit("the database did not start: " + (directory / "log").read_text()[-500:])

    def run(self, sql):
        command = [program("psql"), "-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1", "-h", str(self.directory), "-U", "peer", "-d", "postgres"]
        done = subprocess.run(command, input=sql, capture_output=True, text=True)
        if done.returncode != 0:
            raise SystemExit("the database refused: " + done.stderr[:500])
        return done.stdout

    def processor_s(self):
        """What its processes have used, those that ended too."""
        ticks, root = 0, self.process.pid
        for entry in pathlib.Path("/proc").glob("[0-9]*/stat"):
            try:
                fields = entry.read_text().rsplit(")", 1)[1].split()
            except OSError:
                continue
            pid, parent = int(entry.parent.name), int(fields[1])
            if pid == root:
                ticks += sum(int(x) for x in fields[11:15])
            elif parent == root:
                ticks += sum(int(x) for x in fields[11:13])
        return ticks / os.sysconf("SC_CLK_TCK")

    def end(self):
        self.process.send_signal(signal.SIGINT)
        self.process.wait(60)


def messages(directory):
    with open(directory / "log.csv") as rows:
        next(rows)
        while message := [row for _, row in zip(range(ROWS_OF_A_MESSAGE), rows)]:
            yield "COPY samples FROM STDIN WITH (FORMAT csv);\n" + "".join(message) + "\\.\n"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("samples", type=int)
    parser.add_argument("--json")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        directory = pathlib.Path(folder)
        samples = log.write(asked.samples, directory)
        cluster = Cluster(directory)
        try:
            cluster.run(
                "CREATE TABLE samples (time_ms bigint, drive int, speed_mps real, altitude_m double precision, brake_bar real,"
                " current_a real, voltage_v real, soc real, PRIMARY KEY (drive, time_ms))"
            )
            text = "".join(messages(directory))
            before, began = cluster.processor_s(), time.monotonic()
            cluster.run(text)
            taken, ingest_s = cluster.processor_s(), time.monotonic() - began
            cluster.run("CHECKPOINT; ANALYZE samples")
            ready, began = cluster.processor_s(), time.monotonic()
            row = cluster.run(QUERY.format(table="samples", released=0.5)).strip().split("|")
            asked_s, query_s = cluster.processor_s(), time.monotonic() - began
        finally:
            cluster.end()
    million = samples / 1e6
    result = {
        "samples": samples,
        "descents": int(row[0]),
        "energies_j": [float(x) for x in row[1:]],
        "ingest_cpu_s_per_million": (ready - before) / million,
        "query_cpu_s_per_million": (asked_s - ready) / million,
        "ingest_wall_s": ingest_s,
        "query_wall_s": query_s,
    }
    print(f"{samples} samples in messages of {ROWS_OF_A_MESSAGE}, each durable before the next: {result['ingest_cpu_s_per_million']:.2f} s of processor a million, {ingest_s:.1f} s")
    print(f"energies of {row[0]} descents: {result['query_cpu_s_per_million']:.2f} s of processor a million, {query_s:.1f} s")
    if asked.json:
        pathlib.Path(asked.json).write_text(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
