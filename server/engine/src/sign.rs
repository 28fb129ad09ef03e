//! Whether the declared current sign fits the motion: charging must go with braking.

use serde::{Deserialize, Serialize};

use crate::bits::Bits;

/// Road over which one comparison is made, mm.
const CHUNK_MM: i64 = 100_000;
/// Height whose potential energy is as much evidence as is needed.
const NEEDED_HEIGHT_M: f64 = 15.0;
/// Share of the evidence against the sign from which it is refused.
const AGAINST_SHARE: f64 = 0.8;

/// Evidence for and against the declared sign, J of wheel energy.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct SignEvidence {
    chunk_mm: i64,
    chunk_wheel_mj: i64,
    chunk_motor_mj: i64,
    fits_j: i64,
    against_j: i64,
}

impl SignEvidence {
    /// Writes or reads the evidence.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B) -> Self {
        Self {
            chunk_mm: b.int(self.chunk_mm, 0),
            chunk_wheel_mj: b.int(self.chunk_wheel_mj, 0),
            chunk_motor_mj: b.int(self.chunk_motor_mj, 0),
            fits_j: b.int(self.fits_j, 0),
            against_j: b.int(self.against_j, 0),
        }
    }

    /// Takes a settled stretch: its length, the energy at the wheels (negative while braking) and the energy that came
    /// from the motor towards the battery (auxiliaries added back).
    pub(crate) fn add(&mut self, length_mm: i64, wheel_mj: i64, motor_mj: i64) {
        self.chunk_mm += length_mm;
        self.chunk_wheel_mj += wheel_mj;
        self.chunk_motor_mj += motor_mj;
        if self.chunk_mm < CHUNK_MM {
            return;
        }
        let (wheel, motor) = (
            self.chunk_wheel_mj as f64 * 1e-3,
            self.chunk_motor_mj as f64 * 1e-3,
        );
        let weight = wheel.abs() as i64;
        // Driving takes more from the battery than reaches the wheels; braking gives less, perhaps nothing when
        // friction does the work.
        let (fits, against) = if wheel > 0.0 {
            (motor < -0.5 * wheel, motor > 0.3 * wheel)
        } else {
            (motor > 0.1 * -wheel, motor < 0.3 * wheel)
        };
        if fits {
            self.fits_j += weight;
        } else if against {
            self.against_j += weight;
        }
        (self.chunk_mm, self.chunk_wheel_mj, self.chunk_motor_mj) = (0, 0, 0);
    }

    /// Returns whether the evidence is enough, for a vehicle of this weight in N, to refuse the declared sign.
    pub(crate) fn contradicts(&self, weight_n: f64) -> bool {
        let total = (self.fits_j + self.against_j) as f64;
        total >= weight_n * NEEDED_HEIGHT_M && self.against_j as f64 >= AGAINST_SHARE * total
    }
}
