"""The histograms of the server, read by the hdrhistogram package of PyPI, which shares no code with the server's."""

import base64
import math
import struct
import unittest
import zlib

from hdrh.histogram import HdrHistogram

import support

CASES = ["r01_alpine_29km", "r03_stop_and_go", "r06_rolling", "r09_repeat_grade"]
CLASS = "van_2500kg"
PLAIN, COMPRESSED = 0x1C849313, 0x1C849314


def enveloped(plain):
    """Puts a plain V2 histogram into the envelope that the package reads: cookie, length, zlib."""
    body = zlib.compress(plain)
    return base64.b64encode(struct.pack(">II", COMPRESSED, len(body)) + body)


class Histograms(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.pb = support.stubs()
        cls.server = cls.enterClassContext(support.server())
        channel = cls.enterClassContext(support.connection(cls.server))
        cls.descents = cls.pb["descent_pb2_grpc"].DescentServiceStub(channel)
        fleet = cls.pb["fleet_pb2_grpc"].FleetServiceStub(channel)
        document = (support.REFERENCE / "classes" / f"{CLASS}.toml").read_text()
        fleet.PutVehicleClass(cls.pb["fleet_pb2"].PutVehicleClassRequest(document_toml=document))
        telemetry = cls.pb["telemetry_pb2_grpc"].TelemetryServiceStub(channel)
        for number, case in enumerate(CASES, start=1):
            support.stream(
                telemetry, cls.pb["telemetry_pb2"], cls.pb["model_pb2"], f"van-{number}", CLASS,
                bytes([number]) * 16, support.read_case(case), 500,
            )

    def values(self, field):
        pb = self.pb["descent_pb2"]
        listed = self.descents.ListDescents(pb.ListDescentsRequest(page_size=1000))
        self.assertEqual(listed.next_page_token, "")
        return sorted(getattr(d, field).value for d in listed.descents)

    def compare(self, metric, per_unit):
        answer = self.descents.GetDistribution(self.pb["descent_pb2"].GetDistributionRequest(metric=metric))
        plain = answer.histogram_v2
        self.assertEqual(struct.unpack(">I", plain[:4])[0], PLAIN)
        other = HdrHistogram.decode(enveloped(plain))
        values = self.values(metric)
        self.assertGreater(len(values), 25)
        self.assertEqual(other.get_total_count(), len(values))
        self.assertEqual(answer.count, len(values))
        # By nearest rank: the package's own percentiles round ranks in another way, which shows with so few values.
        cells = [(i.value_iterated_to, i.total_count_to_this_value) for i in other.get_recorded_iterator()]
        for quantile in answer.quantiles:
            rank = max(1, math.ceil(round(quantile.fraction * len(values), 9)))
            theirs = next(value for value, count in cells if count >= rank)
            self.assertAlmostEqual(quantile.value * per_unit, theirs, delta=1e-6 * theirs)
            # And both are within three digits of the value at that rank.
            exact = values[rank - 1] * per_unit
            self.assertLess(abs(theirs - exact), 1e-3 * exact + 1)
        # The package records the same values into a histogram of the same bounds: the same counts, cell by cell.
        again = HdrHistogram(1, other.highest_trackable_value, 3)
        for value in values:
            again.record_value(round(value * per_unit))
        self.assertEqual(
            [(i.value_iterated_to, i.count_added_in_this_iter_step) for i in again.get_recorded_iterator()],
            [(i.value_iterated_to, i.count_added_in_this_iter_step) for i in other.get_recorded_iterator()],
        )

    def test_recovery_ratio(self):
        self.compare("recovery_ratio", 1e4)

    def test_available_energy(self):
        self.compare("available_j", 1)

    def test_the_command_line_gives_the_same_histogram(self):
        text = support.client(self.server, "distribution", "recovery_ratio", "--encoded").strip()
        raw = base64.b64decode(text)
        (cookie,) = struct.unpack(">I", raw[:4])
        self.assertIn(cookie, (PLAIN, COMPRESSED))
        other = HdrHistogram.decode(text if cookie == COMPRESSED else enveloped(raw))
        self.assertEqual(other.get_total_count(), len(self.values("recovery_ratio")))


if __name__ == "__main__":
    unittest.main(verbosity=2)
