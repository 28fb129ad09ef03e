"""A log of invented drives, each over a crest, down a grade and out on the level, written as CSV and Parquet.

Altitude is without noise and every drive has one descent whose ends are plain to see, so that a query without any
segmentation can be given the same stretch of road as the engine finds.
"""

import numpy as np
import polars as pl

STEP_S = 0.1
ROWS_OF_A_DRIVE = 18_000
MASS_KG, FACTOR, GRAVITY, DENSITY = 2500.0, 0.012457, 9.81, 1.2
ROLLING, DRAG_AREA, EFFICIENCY, AUXILIARY_W = 0.0095, 1.224, 0.885, 600.0
BRAKE_N_PER_BAR, STANDSTILL_MPS, IDLE_W = 400.0, 0.15, 400.0
BEGIN_MS = 1_770_000_000_000


def drive(rng, number):
    """One drive as columns: 2 min up, 26 min down at 3 to 9 %, 2 min level."""
    t = np.arange(ROWS_OF_A_DRIVE) * STEP_S
    speed = 13.0 + 3.0 * np.sin(2 * np.pi * t / (170.0 + 7 * (number % 11))) + rng.normal(0.0, 0.05, t.size)
    way = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * STEP_S)))
    down = 0.06 + 0.03 * np.sin(2 * np.pi * way / 2300.0)
    grade = np.where(t < 120.0, 0.05, np.where(t < 1680.0, -down, 0.0))
    altitude = 2400.0 + np.concatenate(([0.0], np.cumsum(grade[1:] * np.diff(way))))
    slope = np.gradient(speed, STEP_S)
    smooth = np.convolve(slope, np.ones(50) / 50, "same")
    force = MASS_KG * (1 + FACTOR) * smooth + MASS_KG * GRAVITY * grade + ROLLING * MASS_KG * GRAVITY + 0.5 * DENSITY * DRAG_AREA * speed**2
    brake = np.where((force < 0) & (np.sin(2 * np.pi * t / 41.0) > 0.6), 0.25 * -force / BRAKE_N_PER_BAR, 0.0)
    wheel_w = force * speed
    motor_w = np.where(wheel_w < 0, -(wheel_w + brake * BRAKE_N_PER_BAR * speed) * EFFICIENCY, -wheel_w / EFFICIENCY)
    voltage = 372.0 + motor_w * 2e-4 + rng.normal(0.0, 0.2, t.size)
    current = (motor_w - AUXILIARY_W) / voltage
    soc = np.clip(0.4 + np.cumsum(current) * STEP_S / 3600.0 / 160.0, 0.05, 0.95)
    return {
        "time_ms": (BEGIN_MS + number * 3_600_000 + np.rint(t * 1e3)).astype(np.int64),
        "drive": np.full(t.size, number, np.int32),
        "speed_mps": np.round(speed, 3),
        "altitude_m": np.round(altitude, 3),
        "brake_bar": np.round(brake, 3),
        "current_a": np.round(current, 2),
        "voltage_v": np.round(voltage, 1),
        "soc": np.round(soc, 4),
    }


def write(samples, directory):
    """Writes log.csv and log.parquet with so many samples, rounded up to whole drives; returns their number."""
    rng = np.random.default_rng(20260301)
    drives = -(-samples // ROWS_OF_A_DRIVE)
    kinds = [drive(rng, k) for k in range(min(drives, 40))]
    frames = []
    for number in range(drives):
        columns = dict(kinds[number % len(kinds)])
        columns["time_ms"] = columns["time_ms"] + (number - number % len(kinds)) * 3_600_000
        columns["drive"] = np.full(ROWS_OF_A_DRIVE, number, np.int32)
        frames.append(pl.DataFrame(columns))
    table = pl.concat(frames)
    table.write_csv(directory / "log.csv")
    table.write_parquet(directory / "log.parquet", compression="zstd")
    return table.height
