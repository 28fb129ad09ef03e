//! Small named records that the store keeps without knowing what they mean.

/// What the records of a shelf are. The numbers stand in keys: a number is never used for anything else.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[repr(u8)]
pub enum Shelf {
    /// Known grades.
    Grade = 1,
    /// Grades proposed because descents without a known grade recur.
    GradeProposal = 2,
    /// Alarm rules.
    AlarmRule = 3,
    /// What the alarm rules remember between descents.
    AlarmMemory = 4,
    /// Alarms and planning messages.
    Alarm = 5,
    /// Messages that wait for delivery.
    Outbox = 6,
    /// Services of brakes.
    BrakeService = 7,
}

impl Shelf {
    /// All shelves, in the order of their keys.
    pub const ALL: [Self; 7] = [
        Self::Grade,
        Self::GradeProposal,
        Self::AlarmRule,
        Self::AlarmMemory,
        Self::Alarm,
        Self::Outbox,
        Self::BrakeService,
    ];

    /// Returns the shelf of a number in a key.
    pub fn from_byte(byte: u8) -> Option<Self> {
        Self::ALL.into_iter().find(|shelf| *shelf as u8 == byte)
    }

    /// Returns what a record of it is called in errors.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Grade => "grade",
            Self::GradeProposal => "proposed grade",
            Self::AlarmRule => "alarm rule",
            Self::AlarmMemory => "memory of an alarm rule",
            Self::Alarm => "alarm",
            Self::Outbox => "message for delivery",
            Self::BrakeService => "brake service",
        }
    }
}

/// A named record as it is stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shelved {
    /// Its name, unique on its shelf: 1 to 128 bytes of UTF-8 without a zero byte. Records are listed in its order.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// A change of a named record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShelfChange {
    /// Which shelf.
    pub shelf: Shelf,
    /// Its name.
    pub name: String,
    /// Its new bytes; `None` takes it away.
    pub bytes: Option<Vec<u8>>,
}
