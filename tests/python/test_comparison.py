"""The comparison of versions against scipy: strata, shift, test, adjustment and effect anew from the listed descents."""

import json
import unittest

import numpy as np
from scipy import stats

import support

CLASS = "van_2500kg"
A, B = "2.4.1", "2.5.0"
METRICS = ["recovery_ratio_wheels", "friction_share", "friction_kj_per_t_100m"]
R10 = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0]
UNFIT = {"clock_jump", "altitude_frozen", "low_coverage", "poor_closure", "batch_refused"}


def band(value, edges):
    return sum(value >= edge for edge in edges)


def stratum_of(d):
    """As docs/comparison.md says, for descents without a known grade."""
    charge = d["state_of_charge_start"]
    return (
        band(d["drop_m"], [100.0 * 2**k for k in range(7)]),
        band(-d["mean_gradient"], [0.02, 0.04, 0.06, 0.08, 0.10]),
        d["vehicle_class"],
        "unknown" if charge is None else band(charge, [0.80, 0.90, 0.95]),
        band(d["mass_kg"] / 1000, R10),
    )


def passes(rows):
    """Cuts a case where the vehicle was switched off."""
    cuts = [i for i in range(1, len(rows)) if rows[i]["time_s"] - rows[i - 1]["time_s"] > 600]
    return [rows[a:b] for a, b in zip([0, *cuts], [*cuts, len(rows)])]


def weighted_median(values, weights):
    order = np.argsort(values, kind="stable")
    values, weights = np.asarray(values)[order], np.asarray(weights)[order]
    total = np.cumsum(weights)
    half = total[-1] / 2
    at = np.searchsorted(total, half * (1 - 1e-12))
    if abs(total[at] - half) < 1e-9 * half and at + 1 < len(values):
        return (values[at] + values[at + 1]) / 2
    return values[at]


class Comparison(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        pb = support.stubs()
        cls.server = cls.enterClassContext(support.server())
        channel = cls.enterClassContext(support.connection(cls.server))
        fleet = pb["fleet_pb2_grpc"].FleetServiceStub(channel)
        document = (support.REFERENCE / "classes" / f"{CLASS}.toml").read_text()
        fleet.PutVehicleClass(pb["fleet_pb2"].PutVehicleClassRequest(document_toml=document))
        telemetry = pb["telemetry_pb2_grpc"].TelemetryServiceStub(channel)
        # Two versions on the same invented road, with another mix of charges at the top; the second brakes harder with
        # friction. Each pass is a trip of its own, with noise of a fixed seed, so that no two are alike.
        number = 0
        for version, brake, charges in ((A, 1.0, (0.5, 0.5, 0.85, 0.92)), (B, 1.3, (0.5, 0.85, 0.92, 0.92))):
            for _ in range(2):
                number += 1
                noise = np.random.default_rng(number)
                for k, rows in enumerate(passes(support.read_case("r09_repeat_grade"))):
                    factor = brake * (1 + 0.1 * noise.standard_normal())
                    first = rows[0]["soc"]
                    for row in rows:
                        row["brake_pressure_bar"] *= factor
                        row["soc"] += charges[k % 4] - first
                    support.stream(
                        telemetry, pb["telemetry_pb2"], pb["model_pb2"], f"van-{number}", CLASS,
                        bytes([number, k]) * 8, rows, 500, version,
                    )
        words = ["compare", A, B, "--ungraded", "by-drop", "--format", "json"]
        for metric in METRICS:
            words += ["--metric", metric]
        cls.answer = json.loads(support.client(cls.server, *words))
        listed = support.client(cls.server, "descents", "list", "--all", "--format", "json")
        cls.descents = json.loads(listed)["descents"]

    def fit(self):
        for d in self.descents:
            cut = d["start_reason"] == "after_gap" or d["end_reason"] in ("data_gap", "clock_jump")
            if not cut and not UNFIT & set(d["flags"]):
                yield d

    def strata(self, metric):
        groups = {}
        for d in self.fit():
            if d[metric] is not None:
                side = 0 if d["software_version"] == A else 1
                groups.setdefault(stratum_of(d), ([], []))[side].append(d[metric])
        return [(np.array(a), np.array(b)) for a, b in groups.values() if min(len(a), len(b)) >= 2]

    def test_the_fleet_is_worth_a_comparison(self):
        self.assertGreater(len(list(self.fit())), 60)
        self.assertGreater(max(len(self.strata(m)) for m in METRICS), 2)
        self.assertEqual([m["metric"] for m in self.answer["metrics"]], METRICS)

    def test_counts(self):
        for m in self.answer["metrics"]:
            strata = self.strata(m["metric"])
            self.assertEqual(m["stratum_count"], len(strata))
            self.assertEqual(m["a_count"], sum(len(a) for a, _ in strata))
            self.assertEqual(m["b_count"], sum(len(b) for _, b in strata))

    def test_shift_is_the_weighted_median_of_all_differences(self):
        for m in self.answer["metrics"]:
            values, weights = [], []
            for a, b in self.strata(m["metric"]):
                differences = np.subtract.outer(b, a).ravel()
                values += list(differences)
                weights += [1 / (len(a) + len(b) + 1)] * len(differences)
            wanted = weighted_median(values, weights)
            self.assertAlmostEqual(m["evidence"]["shift"]["value"], wanted, delta=1e-9 * max(1.0, abs(wanted)))
            # The interval holds it.
            self.assertLessEqual(m["evidence"]["shift"]["low"], wanted)
            self.assertLessEqual(wanted, m["evidence"]["shift"]["high"])

    def test_z_and_p_are_those_of_the_stratified_rank_sum(self):
        for m in self.answer["metrics"]:
            distance = variance = 0.0
            for a, b in self.strata(m["metric"]):
                ranks = stats.rankdata(np.concatenate([a, b]))
                n, k = len(ranks), len(b)
                distance += (ranks[len(a):].sum() - k * (n + 1) / 2) / (n + 1)
                # Variance of a sum of k ranks drawn without replacement: ties are in it.
                variance += k * (n - k) / n * ranks.var(ddof=1) / (n + 1) ** 2
            z = distance / np.sqrt(variance)
            self.assertAlmostEqual(m["evidence"]["z"], z, delta=1e-9 * abs(z))
            normal = 2 * stats.norm.sf(abs(z))
            if m["evidence"]["p_method"] == "normal":
                self.assertAlmostEqual(m["evidence"]["p"], normal, delta=1e-8 * normal)
            else:
                self.assertAlmostEqual(m["evidence"]["p"], normal, delta=0.02)

    def test_p_values_are_adjusted_together(self):
        raw = [m["evidence"]["p"] for m in self.answer["metrics"]]
        wanted = stats.false_discovery_control(raw, method="bh")
        for m, p in zip(self.answer["metrics"], wanted):
            self.assertAlmostEqual(m["evidence"]["p_adjusted"], p, delta=1e-12)

    def test_effect_is_the_weighted_share_of_pairs(self):
        for m in self.answer["metrics"]:
            won = total = 0.0
            for a, b in self.strata(m["metric"]):
                weight = 1 / (len(a) + len(b) + 1)
                won += weight * stats.mannwhitneyu(b, a).statistic
                total += weight * len(a) * len(b)
            self.assertAlmostEqual(m["evidence"]["superiority"], won / total, delta=1e-12)

    def test_verdicts_follow_from_the_numbers(self):
        by_metric = {m["metric"]: m for m in self.answer["metrics"]}
        self.assertEqual(by_metric["friction_share"]["verdict"], "worse")
        self.assertEqual(self.answer["verdict"], "worse")
        for m in self.answer["metrics"]:
            e = m["evidence"]
            beyond = e["p_adjusted"] <= 0.05 and not e["shift"]["low"] < 0 < e["shift"]["high"]
            self.assertEqual(m["verdict"] in ("better", "worse"), beyond)


if __name__ == "__main__":
    unittest.main(verbosity=2)
