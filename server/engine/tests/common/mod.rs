//! Synthetic drives whose energies are known in closed form, step by step.

#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(
    missing_docs,
    unreachable_pub,
    clippy::unwrap_used,
    clippy::many_single_char_names,
    reason = "test helpers"
)]

use coldbrake_engine::{Batch, BrakeKind, CurrentSign, Opening, Session, VehicleClass};

pub const START_MS: i64 = 1_760_000_000_000;

pub fn class() -> VehicleClass {
    toml::from_str(
        r#"
        vehicle_class = "van"
        mass_kg = 3000.0
        rotating_mass_factor = 0.04
        rolling_coefficient = 0.010
        drag_area_m2 = 1.6
        max_recovery_power_w = 90e3
        blend_out_speed_mps = 2.5
        recovery_efficiency = 0.9
        auxiliary_power_w = 900.0
        nominal_voltage_v = 380.0
        brake_force_per_bar_n = 450.0
        tyre_radius_m = 0.33
        front_heat_capacity_j_per_k = 14e3
        rear_heat_capacity_j_per_k = 10e3
        gravity_mps2 = 9.81
        air_density_kg_m3 = 1.15
        "#,
    )
    .unwrap()
}

pub fn opening(kind: BrakeKind) -> Opening {
    Opening {
        session: Session([7; 16]),
        software_version: "1.0.0".to_owned(),
        brake_kind: kind,
        current_sign: CurrentSign::ChargePositive,
        declared_mass_kg: None,
        declared_mass_uncertainty: None,
    }
}

/// What went into a drive, J.
#[derive(Clone, Copy, Debug, Default)]
pub struct Truth {
    pub braked: f64,
    pub driven: f64,
    pub charged: f64,
    pub friction: f64,
}

/// A road: (length m, gradient) one after the other.
#[derive(Clone, Debug)]
pub struct Road(pub Vec<(f64, f64)>);

impl Road {
    pub fn length(&self) -> f64 {
        self.0.iter().map(|(l, _)| l).sum()
    }

    pub fn altitude(&self, s: f64) -> f64 {
        let mut at = 0.0;
        let mut h = 2000.0;
        for (length, gradient) in &self.0 {
            let part = (s - at).clamp(0.0, *length);
            h += part * gradient;
            at += length;
        }
        h
    }
}

#[derive(Clone, Debug)]
pub struct Drive {
    pub road: Road,
    /// Speed as a function of the distance, m/s.
    pub speed: fn(f64) -> f64,
    pub step_ms: i64,
    /// Share of the braking force at the wheels taken by friction.
    pub friction: f64,
    /// Standing time at a distance: (distance m, seconds).
    pub stop: Option<(f64, f64)>,
    pub kind: BrakeKind,
}

pub fn steady(_: f64) -> f64 {
    14.0
}

pub fn waves(s: f64) -> f64 {
    13.0 + 5.0 * (s / 160.0).sin()
}

impl Default for Drive {
    fn default() -> Self {
        Self {
            road: Road(vec![(800.0, 0.0), (5000.0, -0.06), (900.0, 0.0)]),
            speed: waves,
            step_ms: 200,
            friction: 0.1,
            stop: None,
            kind: BrakeKind::Pressure,
        }
    }
}

impl Drive {
    /// Returns the samples and what happened between the begin and the end.
    pub fn run(&self, class: &VehicleClass) -> (Batch, Truth) {
        let mut b = Batch::default();
        let mut truth = Truth::default();
        let dt = self.step_ms as f64 * 1e-3;
        let (mut s, mut t) = (0.0, START_MS);
        let mut v = (self.speed)(0.0);
        let mut stood = false;
        let mut push = |b: &mut Batch, t: i64, v: f64, h: f64, brake: f64, current: f64| {
            b.time_ms.push(t);
            b.speed_mps.push(v);
            b.altitude_m.push(h);
            b.brake.push(brake);
            b.current_a.push(current);
            b.voltage_v.push(380.0);
            b.state_of_charge.push(0.6);
        };
        push(&mut b, t, v, self.road.altitude(s), 0.0, -900.0 / 380.0);
        while s < self.road.length() {
            if let Some((at, seconds)) = self.stop
                && !stood
                && s >= at
            {
                stood = true;
                for (from, to) in [(v, 0.0), (0.0, v)] {
                    // Straight down to standstill and up again, 20 steps each; holding the brake between.
                    for k in 1..=20 {
                        let next = from + (to - from) * f64::from(k) / 20.0;
                        t += self.step_ms;
                        self.interval(
                            class,
                            &mut b,
                            &mut truth,
                            &mut push,
                            (t, dt),
                            &mut s,
                            &mut v,
                            next,
                        );
                    }
                    if to == 0.0 {
                        for _ in 0..(seconds / dt) as i64 {
                            t += self.step_ms;
                            push(&mut b, t, 0.0, self.road.altitude(s), 20.0, -900.0 / 380.0);
                        }
                    }
                }
            }
            t += self.step_ms;
            let next = (self.speed)(s + v * dt);
            self.interval(
                class,
                &mut b,
                &mut truth,
                &mut push,
                (t, dt),
                &mut s,
                &mut v,
                next,
            );
        }
        (b, truth)
    }

    #[allow(clippy::too_many_arguments, reason = "a step of a simulation")]
    fn interval(
        &self,
        class: &VehicleClass,
        b: &mut Batch,
        truth: &mut Truth,
        push: &mut impl FnMut(&mut Batch, i64, f64, f64, f64, f64),
        (t, dt): (i64, f64),
        s: &mut f64,
        v: &mut f64,
        next: f64,
    ) {
        let mean = 0.5 * (*v + next);
        let ds = mean * dt;
        let (h0, h1) = (self.road.altitude(*s), self.road.altitude(*s + ds));
        let m = class.mass_kg;
        let road = (class.rolling_coefficient.unwrap() * m * 9.81
            + 0.5 * 1.15 * class.drag_area_m2.unwrap() * mean * mean)
            * ds;
        let wheel = 0.5 * m * 1.04 * (next * next - *v * *v) + m * 9.81 * (h1 - h0) + road;
        let (brake, battery);
        if wheel < 0.0 {
            let friction = -wheel * self.friction;
            let force = if ds > 0.0 { friction / ds } else { 0.0 };
            battery = (-wheel - friction) * class.recovery_efficiency - class.auxiliary_power_w * dt;
            brake = match self.kind {
                BrakeKind::Pressure => force / class.brake_force_per_bar_n.unwrap(),
                BrakeKind::Torque => force * class.tyre_radius_m.unwrap(),
                BrakeKind::Pedal => {
                    if self.friction > 0.0 {
                        12.0
                    } else {
                        0.0
                    }
                }
                BrakeKind::Applied => f64::from(self.friction > 0.0),
            };
            truth.braked -= wheel;
            truth.friction += friction;
        } else {
            battery = -wheel / 0.88 - class.auxiliary_power_w * dt;
            brake = 0.0;
            truth.driven += wheel;
        }
        truth.charged += battery.max(0.0);
        *s += ds;
        *v = next;
        push(b, t, next, h1, brake, battery / dt / 380.0);
    }
}

/// Part of a batch.
pub fn part(b: &Batch, range: std::ops::Range<usize>) -> Batch {
    let cut = |c: &Vec<f64>| c.get(range.clone()).map(<[f64]>::to_vec).unwrap_or_default();
    Batch {
        time_ms: b.time_ms[range.clone()].to_vec(),
        speed_mps: cut(&b.speed_mps),
        altitude_m: cut(&b.altitude_m),
        brake: cut(&b.brake),
        current_a: cut(&b.current_a),
        voltage_v: cut(&b.voltage_v),
        state_of_charge: cut(&b.state_of_charge),
        ambient_c: cut(&b.ambient_c),
        brake_temperature_c: cut(&b.brake_temperature_c),
        auxiliary_w: cut(&b.auxiliary_w),
        gross_mass_kg: cut(&b.gross_mass_kg),
        latitude_deg: cut(&b.latitude_deg),
        longitude_deg: cut(&b.longitude_deg),
        slip_control: cut(&b.slip_control),
        battery_temperature_c: cut(&b.battery_temperature_c),
        charge_limit_w: cut(&b.charge_limit_w),
    }
}

/// Numbers from a simple generator.
#[derive(Clone, Debug)]
pub struct Noise(pub u64);

impl Noise {
    pub fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Sum of twelve uniform numbers less six: nearly normal with unit deviation.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}
