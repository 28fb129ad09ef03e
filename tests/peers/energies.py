"""The energies of the descent of every drive by two general-purpose engines for tables: the definitions of docs and README,
sample by sample, with the ends of the descents taken from the highest and the lowest point of a drive.

What they leave out: finding descents in a road, noise of the altitude, gaps, causes, temperatures, intervals.
"""

import duckdb
import polars as pl

from log import (
    AUXILIARY_W, BRAKE_N_PER_BAR, DENSITY, DRAG_AREA, EFFICIENCY, FACTOR, GRAVITY, IDLE_W, MASS_KG, ROLLING, STANDSTILL_MPS,
)

SQL = f"""
WITH ends AS (
  SELECT drive, max_by(time_ms, altitude_m) AS top, min_by(time_ms, altitude_m) AS bottom FROM {{table}} GROUP BY drive
), steps AS (
  SELECT s.drive, s.time_ms, e.top, e.bottom,
    (s.time_ms - lag(s.time_ms) OVER w) * 1e-3 AS dt,
    s.speed_mps AS v1, lag(s.speed_mps) OVER w AS v0,
    s.altitude_m - lag(s.altitude_m) OVER w AS rise,
    s.brake_bar AS brake, s.current_a * s.voltage_v AS battery_w
  FROM {{table}} s JOIN ends e USING (drive)
  WINDOW w AS (PARTITION BY s.drive ORDER BY s.time_ms)
), flows AS (
  SELECT drive, dt, battery_w, brake, 0.5 * (v0 + v1) AS v,
    {0.5 * MASS_KG * (1 + FACTOR)} * (v1 * v1 - v0 * v0) + {MASS_KG * GRAVITY} * rise
      + ({ROLLING * MASS_KG * GRAVITY} + {0.5 * DENSITY * DRAG_AREA} * power(0.5 * (v0 + v1), 2)) * 0.5 * (v0 + v1) * dt AS wheel,
    battery_w + {AUXILIARY_W} AS motor_w
  FROM steps WHERE time_ms > top AND time_ms <= bottom
)
SELECT count(DISTINCT drive) AS descents,
  -sum(wheel) FILTER (WHERE v >= {STANDSTILL_MPS} AND (brake > {{released}} OR motor_w > {IDLE_W})) AS available,
  sum(battery_w * dt) FILTER (WHERE v >= {STANDSTILL_MPS} AND battery_w > 0) AS recovered,
  sum(brake * {BRAKE_N_PER_BAR} * v * dt) FILTER (WHERE brake > {{released}}) AS friction
FROM flows
"""


def by_duckdb(path, released, threads):
    """Returns descents and the sums of available, recovered and friction energy, J."""
    with duckdb.connect() as connection:
        connection.execute(f"SET threads = {threads}")
        reader = f"read_csv('{path}')" if path.suffix == ".csv" else f"read_parquet('{path}')"
        connection.execute(f"CREATE VIEW log AS SELECT * FROM {reader}")
        return connection.execute(SQL.format(table="log", released=released)).fetchone()


def by_polars(path, released):
    """The same."""
    scan = pl.scan_csv(path) if path.suffix == ".csv" else pl.scan_parquet(path)
    # Sorted as it is written: windows over a drive need no sorting.
    c = pl.col
    before = lambda name: c(name).shift(1).over("drive")
    v0, v1 = before("speed_mps"), c("speed_mps")
    steps = scan.with_columns(
        top=c("time_ms").get(c("altitude_m").arg_max()).over("drive"),
        bottom=c("time_ms").get(c("altitude_m").arg_min()).over("drive"),
        dt=(c("time_ms") - before("time_ms")) * 1e-3,
        v=0.5 * (v0 + v1),
        squares=v1 * v1 - v0 * v0,
        rise=c("altitude_m") - before("altitude_m"),
        battery_w=c("current_a") * c("voltage_v"),
    ).filter((c("time_ms") > c("top")) & (c("time_ms") <= c("bottom")))
    wheel = (
        0.5 * MASS_KG * (1 + FACTOR) * c("squares")
        + MASS_KG * GRAVITY * c("rise")
        + (ROLLING * MASS_KG * GRAVITY + 0.5 * DENSITY * DRAG_AREA * c("v") ** 2) * c("v") * c("dt")
    )
    moving, applied = c("v") >= STANDSTILL_MPS, c("brake_bar") > released
    sums = steps.select(
        descents=c("drive").n_unique(),
        available=-wheel.filter(moving & (applied | (c("battery_w") + AUXILIARY_W > IDLE_W))).sum(),
        recovered=(c("battery_w") * c("dt")).filter(moving & (c("battery_w") > 0)).sum(),
        friction=(c("brake_bar") * BRAKE_N_PER_BAR * c("v") * c("dt")).filter(applied).sum(),
    )
    return sums.collect(engine="streaming").row(0)
