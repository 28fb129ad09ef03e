"""A client that shares no code with the project streams a case and gets the descent that the case's truth asks for."""

import json
import unittest

import support

CASE = "r03_stop_and_go"
CLASS = "van_2500kg"


class Stream(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.pb = support.stubs()
        cls.server = cls.enterClassContext(support.server())
        cls.channel = cls.enterClassContext(support.connection(cls.server))
        cls.telemetry = cls.pb["telemetry_pb2_grpc"].TelemetryServiceStub(cls.channel)
        cls.descents = cls.pb["descent_pb2_grpc"].DescentServiceStub(cls.channel)
        fleet = cls.pb["fleet_pb2_grpc"].FleetServiceStub(cls.channel)
        document = (support.REFERENCE / "classes" / f"{CLASS}.toml").read_text()
        fleet.PutVehicleClass(cls.pb["fleet_pb2"].PutVehicleClassRequest(document_toml=document))

    def stream(self, vehicle, rows, length, session):
        refused = support.stream(
            self.telemetry, self.pb["telemetry_pb2"], self.pb["model_pb2"], vehicle, CLASS, session, rows, length
        )
        self.assertEqual(refused, [])

    def only_descent(self, vehicle):
        pb = self.pb["descent_pb2"]
        listed = self.descents.ListDescents(pb.ListDescentsRequest(filter=pb.DescentFilter(vehicle=vehicle)))
        self.assertEqual(len(listed.descents), 1)
        request = pb.GetDescentRequest(vehicle=vehicle, descent=listed.descents[0].descent)
        return self.descents.GetDescent(request)

    def test_the_descent_is_the_one_that_was_simulated(self):
        self.stream("py-truth", support.read_case(CASE), 128, b"\x01" * 16)
        found = self.only_descent("py-truth").descent
        truth = json.loads((support.REFERENCE / "cases" / "truth.json").read_text())["cases"][CASE]["descent"]
        for value, expected, bar in [
            (found.available_j.value, truth["wheel_braking_j"], 0.005),
            (found.recovered_j.value, truth["pack_charge_j"], 0.002),
            (found.friction_j.value, truth["friction_j"], 0.01),
        ]:
            self.assertLess(abs(value / expected - 1), bar)
        self.assertLess(abs(found.drop_m - truth["drop_m"]), 1.0)
        self.assertFalse(found.HasField("brake_temperature_peak_c"), "the class has no heat capacities: absent, not 0")

    def test_the_length_of_batches_does_not_show(self):
        rows = support.read_case(CASE)
        answers = []
        for number, length in enumerate([1, 17, 4096], start=2):
            # Single samples for the first minute only: a message each.
            part = rows[:1335] if length > 1 else rows
            self.stream(f"py-length-{length}", part, max(length, 3), bytes([number]) * 16)
            answer = self.only_descent(f"py-length-{length}")
            answer.descent.vehicle = ""
            answers.append(answer.SerializeToString(deterministic=True))
        self.assertEqual(answers[0], answers[1])
        self.assertEqual(answers[0], answers[2])

    def test_the_command_line_gets_the_same_to_the_last_digit(self):
        self.stream("py-twin", support.read_case(CASE), 200, b"\x09" * 16)
        log = support.REFERENCE / "cases" / f"{CASE}.csv"
        columns = (
            "time=time_s,speed=speed_mps,altitude=altitude_m,brake=brake_pressure_bar:bar,"
            "current=pack_current_a,voltage=pack_voltage_v,soc=soc"
        )
        support.client(
            self.server, "send", log, "--vehicle", "rs-twin", "--class", CLASS, "--columns", columns,
            "--current", "discharge-positive", "--software", "2.4.1", "--start", "2026-03-10T06:00:00Z",
        )
        shown = []
        for vehicle in ("py-twin", "rs-twin"):
            listed = json.loads(support.client(self.server, "descents", "list", "--vehicle", vehicle, "--format", "json"))
            identifier = listed["descents"][0]["descent"]
            text = support.client(self.server, "descents", "show", vehicle, identifier, "--format", "json")
            self.assertIn(vehicle, text)
            shown.append(text.replace(vehicle, "twin"))
        self.assertEqual(shown[0], shown[1])


if __name__ == "__main__":
    unittest.main(verbosity=2)
