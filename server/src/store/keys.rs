//! Keys of the store: one ordered space, a kind byte first, numbers big-endian, text ended by a zero byte.
//!
//! A zero byte sorts before every byte that text may have, so keys sort by text as text does, and a prefix that ends
//! with it never takes in a longer neighbour (`van-1` and `van-10`). Times that are listed newest first are stored
//! with all bits turned over.

use super::{Shelf, StoreError};

/// What a key holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
pub enum Kind {
    /// Facts about the store itself.
    Meta = 0x01,
    /// Engine state of a vehicle.
    State = 0x10,
    /// Record of a vehicle.
    Vehicle = 0x11,
    /// Class.
    Class = 0x12,
    /// Descent, newest start first.
    Descent = 0x20,
    /// Entry of a descent in the listing of its vehicle, newest start first.
    DescentOfVehicle = 0x21,
    /// Profile of a descent, with its start time: the way from an identifier to the descent.
    Profile = 0x22,
    /// Histogram of one metric, class, grade, software version and day.
    Histogram = 0x30,
    /// Audit log entry, newest first.
    Audit = 0x40,
    /// Named record of a shelf.
    Shelved = 0x50,
}

impl Kind {
    /// All kinds, in the order of their keys.
    pub const ALL: [Self; 10] = [
        Self::Meta,
        Self::State,
        Self::Vehicle,
        Self::Class,
        Self::Descent,
        Self::DescentOfVehicle,
        Self::Profile,
        Self::Histogram,
        Self::Audit,
        Self::Shelved,
    ];

    /// Returns the name used in findings.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Meta => "store record",
            Self::State => "vehicle state",
            Self::Vehicle => "vehicle record",
            Self::Class => "class",
            Self::Descent => "descent",
            Self::DescentOfVehicle => "descent listing entry",
            Self::Profile => "descent profile",
            Self::Histogram => "histogram",
            Self::Audit => "audit entry",
            Self::Shelved => "shelved record",
        }
    }

    fn from_byte(byte: u8) -> Option<Self> {
        Self::ALL.into_iter().find(|k| *k as u8 == byte)
    }
}

/// Key of a record. A record is kept in one or more pieces, each under the key with the number of the piece behind it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key(Vec<u8>);

/// Beginning of keys.
pub type Prefix = Vec<u8>;

/// Why a text cannot be part of a key.
pub fn text_problem(text: &str) -> Option<&'static str> {
    if text.is_empty() {
        Some("it is empty")
    } else if text.len() > MAX_TEXT {
        Some("it is longer than 128 bytes")
    } else if text.bytes().any(|b| b == 0) {
        Some("it contains a zero byte")
    } else {
        None
    }
}

/// Longest text in a key, bytes.
pub const MAX_TEXT: usize = 128;

/// Returns an error when a text cannot be part of a key.
pub fn check_text(what: &str, text: &str) -> Result<(), StoreError> {
    match text_problem(text) {
        None => Ok(()),
        Some(problem) => Err(StoreError::BadKey {
            what: format!("{what} `{}`", text.escape_default()),
            problem,
        }),
    }
}

impl Key {
    fn new(kind: Kind) -> Self {
        Self(vec![kind as u8])
    }

    fn text(mut self, text: &str) -> Self {
        self.0.extend_from_slice(text.as_bytes());
        self.0.push(0);
        self
    }

    fn bytes(mut self, bytes: &[u8]) -> Self {
        self.0.extend_from_slice(bytes);
        self
    }

    /// Returns the key of a fact about the store.
    pub fn meta(name: &str) -> Self {
        Self::new(Kind::Meta).text(name)
    }

    /// Returns the key of the engine state of a vehicle.
    pub fn state(vehicle: &str) -> Self {
        Self::new(Kind::State).text(vehicle)
    }

    /// Returns the key of the record of a vehicle.
    pub fn vehicle(vehicle: &str) -> Self {
        Self::new(Kind::Vehicle).text(vehicle)
    }

    /// Returns the key of a class.
    pub fn class(class: &str) -> Self {
        Self::new(Kind::Class).text(class)
    }

    /// Returns the key of a descent.
    pub fn descent(start_time_ms: i64, vehicle: &str, descent: &str) -> Self {
        Self::new(Kind::Descent)
            .bytes(&newest_first(start_time_ms))
            .text(vehicle)
            .text(descent)
    }

    /// Returns the key of a descent in the listing of its vehicle.
    pub fn descent_of_vehicle(vehicle: &str, start_time_ms: i64, descent: &str) -> Self {
        Self::new(Kind::DescentOfVehicle)
            .text(vehicle)
            .bytes(&newest_first(start_time_ms))
            .text(descent)
    }

    /// Returns the key of the profile of a descent.
    pub fn profile(vehicle: &str, descent: &str) -> Self {
        Self::new(Kind::Profile).text(vehicle).text(descent)
    }

    /// Returns the key of a histogram.
    pub fn histogram(metric: u8, class: &str, grade: &str, software_version: &str, day: i32) -> Self {
        Self::new(Kind::Histogram)
            .bytes(&[metric])
            .text(class)
            .text(grade)
            .text(software_version)
            .bytes(&ascending_day(day))
    }

    /// Returns the key of an audit log entry: the commit that it came with and its place in that.
    pub fn audit(lsn: u64, index: u32) -> Self {
        Self::new(Kind::Audit)
            .bytes(&(!lsn).to_be_bytes())
            .bytes(&(!index).to_be_bytes())
    }

    /// Returns the key of a named record of a shelf.
    pub fn shelved(shelf: Shelf, name: &str) -> Self {
        Self::new(Kind::Shelved).bytes(&[shelf as u8]).text(name)
    }

    /// Returns the stored key of one piece of the record.
    pub fn piece(&self, number: u8) -> Vec<u8> {
        let mut stored = Vec::with_capacity(self.0.len() + 1);
        stored.extend_from_slice(&self.0);
        stored.push(number);
        stored
    }

    /// Returns the stored key that comes after every piece of this record and before the next record.
    pub fn after(&self) -> Vec<u8> {
        // The piece number 255 is never used.
        self.piece(u8::MAX)
    }

    /// Returns the key and the piece number of a stored key.
    pub fn from_stored(stored: &[u8]) -> Option<(Self, u8)> {
        stored
            .split_last()
            .map(|(number, key)| (Self(key.to_vec()), *number))
    }

    /// Returns the bytes of the key without a piece number.
    pub fn as_bytes(&self) -> &[u8] {
        &self.0
    }

    /// Takes bytes for a key: they may come from anywhere, [`Key::parse`] tells whether they are one.
    pub fn from_bytes(bytes: &[u8]) -> Self {
        Self(bytes.to_vec())
    }

    /// Returns what the key says; `None` for bytes that are no key of this store.
    pub fn parse(&self) -> Option<Parsed> {
        let (&kind, rest) = self.0.split_first()?;
        let mut parts = Parts(rest);
        let parsed = match Kind::from_byte(kind)? {
            Kind::Meta => Parsed::Meta { name: parts.text()? },
            Kind::State => Parsed::State {
                vehicle: parts.text()?,
            },
            Kind::Vehicle => Parsed::Vehicle {
                vehicle: parts.text()?,
            },
            Kind::Class => Parsed::Class { class: parts.text()? },
            Kind::Descent => Parsed::Descent {
                start_time_ms: from_newest_first(parts.array()?),
                vehicle: parts.text()?,
                descent: parts.text()?,
            },
            Kind::DescentOfVehicle => Parsed::DescentOfVehicle {
                vehicle: parts.text()?,
                start_time_ms: from_newest_first(parts.array()?),
                descent: parts.text()?,
            },
            Kind::Profile => Parsed::Profile {
                vehicle: parts.text()?,
                descent: parts.text()?,
            },
            Kind::Histogram => Parsed::Histogram {
                metric: parts.array::<1>()?[0],
                class: parts.text()?,
                grade: parts.text()?,
                software_version: parts.text()?,
                day: from_ascending_day(parts.array()?),
            },
            Kind::Audit => Parsed::Audit {
                lsn: !u64::from_be_bytes(parts.array()?),
                index: !u32::from_be_bytes(parts.array()?),
            },
            Kind::Shelved => Parsed::Shelved {
                shelf: Shelf::from_byte(parts.array::<1>()?[0])?,
                name: parts.text()?,
            },
        };
        parts.0.is_empty().then_some(parsed)
    }
}

/// What a key says.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[expect(missing_docs, reason = "the fields are those of the constructors of `Key`")]
pub enum Parsed {
    /// See [`Key::meta`].
    Meta { name: String },
    /// See [`Key::state`].
    State { vehicle: String },
    /// See [`Key::vehicle`].
    Vehicle { vehicle: String },
    /// See [`Key::class`].
    Class { class: String },
    /// See [`Key::descent`].
    Descent {
        start_time_ms: i64,
        vehicle: String,
        descent: String,
    },
    /// See [`Key::descent_of_vehicle`].
    DescentOfVehicle {
        vehicle: String,
        start_time_ms: i64,
        descent: String,
    },
    /// See [`Key::profile`].
    Profile { vehicle: String, descent: String },
    /// See [`Key::histogram`].
    Histogram {
        metric: u8,
        class: String,
        grade: String,
        software_version: String,
        day: i32,
    },
    /// See [`Key::audit`].
    Audit { lsn: u64, index: u32 },
    /// See [`Key::shelved`].
    Shelved { shelf: Shelf, name: String },
}

impl std::fmt::Display for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.parse() {
            Some(Parsed::Meta { name }) => write!(f, "store record `{name}`"),
            Some(Parsed::State { vehicle }) => write!(f, "state of vehicle `{vehicle}`"),
            Some(Parsed::Vehicle { vehicle }) => write!(f, "record of vehicle `{vehicle}`"),
            Some(Parsed::Class { class }) => write!(f, "class `{class}`"),
            Some(Parsed::Descent { vehicle, descent, .. }) => {
                write!(f, "descent `{descent}` of vehicle `{vehicle}`")
            }
            Some(Parsed::DescentOfVehicle { vehicle, descent, .. }) => {
                write!(f, "listing entry of descent `{descent}` of vehicle `{vehicle}`")
            }
            Some(Parsed::Profile { vehicle, descent }) => {
                write!(f, "profile of descent `{descent}` of vehicle `{vehicle}`")
            }
            Some(Parsed::Histogram {
                metric,
                class,
                grade,
                software_version,
                day,
            }) => {
                let name =
                    super::tally::metric_of_code(metric).map_or("unknown", coldbrake_engine::Metric::name);
                write!(
                    f,
                    "histogram of `{name}` for class `{class}`, grade `{grade}`, version `{software_version}`, day {day}"
                )
            }
            Some(Parsed::Audit { lsn, index }) => write!(f, "audit entry {lsn}/{index}"),
            Some(Parsed::Shelved { shelf, name }) => write!(f, "{} `{name}`", shelf.name()),
            None => {
                f.write_str("unknown key ")?;
                self.0.iter().try_for_each(|b| write!(f, "{b:02x}"))
            }
        }
    }
}

/// Returns the beginning of all keys of a kind.
pub fn of_kind(kind: Kind) -> Prefix {
    vec![kind as u8]
}

/// Returns the beginning of all listing entries of a vehicle.
pub fn of_vehicle(vehicle: &str) -> Prefix {
    Key::new(Kind::DescentOfVehicle).text(vehicle).0
}

/// Returns the beginning of all keys of a shelf whose names begin with `start`.
pub fn of_shelf(shelf: Shelf, start: &str) -> Prefix {
    let mut prefix = vec![Kind::Shelved as u8, shelf as u8];
    prefix.extend_from_slice(start.as_bytes());
    prefix
}

/// Returns the longest beginning that all histograms meant by these have in common: a part counts only when all parts
/// before it are given.
pub fn of_histograms(
    metric: u8,
    class: Option<&str>,
    grade: Option<&str>,
    software_version: Option<&str>,
) -> Prefix {
    [class, grade, software_version]
        .into_iter()
        .map_while(|part| part)
        .fold(Key::new(Kind::Histogram).bytes(&[metric]), Key::text)
        .0
}

/// Returns the first key after all keys that begin with `prefix`; `None` when there is none.
pub fn end_of(prefix: &[u8]) -> Option<Vec<u8>> {
    let last = prefix.iter().rposition(|b| *b != u8::MAX)?;
    let mut end = prefix[..=last].to_vec();
    end[last] += 1;
    Some(end)
}

/// Returns a time as bytes that sort the newest first.
pub fn newest_first(time_ms: i64) -> [u8; 8] {
    (!(time_ms.cast_unsigned() ^ 1 << 63)).to_be_bytes()
}

fn from_newest_first(bytes: [u8; 8]) -> i64 {
    (!u64::from_be_bytes(bytes) ^ 1 << 63).cast_signed()
}

/// Returns a day as bytes that sort ascending, days before 1970 first.
pub fn ascending_day(day: i32) -> [u8; 4] {
    (day.cast_unsigned() ^ 1 << 31).to_be_bytes()
}

fn from_ascending_day(bytes: [u8; 4]) -> i32 {
    (u32::from_be_bytes(bytes) ^ 1 << 31).cast_signed()
}

struct Parts<'a>(&'a [u8]);

impl Parts<'_> {
    fn text(&mut self) -> Option<String> {
        let end = self.0.iter().position(|b| *b == 0)?;
        let (text, rest) = self.0.split_at_checked(end)?;
        self.0 = rest.get(1..)?;
        String::from_utf8(text.to_vec()).ok()
    }

    fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (head, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*head)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn hex(bytes: &[u8]) -> String {
        bytes
            .iter()
            .flat_map(|b| [b >> 4, b & 15])
            .filter_map(|d| char::from_digit(d.into(), 16))
            .collect()
    }

    /// The layout on disk. A change here is a change of the format: raise its number.
    #[test]
    fn keys_have_these_bytes() {
        let golden = [
            (Key::meta("applied"), "016170706c69656400"),
            (Key::state("van-07"), "1076616e2d303700"),
            (Key::vehicle("van-07"), "1176616e2d303700"),
            (Key::class("van"), "1276616e00"),
            (Key::descent(0, "v", "d"), "207fffffffffffffff76006400"),
            (
                Key::descent(1_700_000_000_000, "v", "d"),
                "207ffffe74301a97ff76006400",
            ),
            (Key::descent(-1, "v", "d"), "20800000000000000076006400"),
            (
                Key::descent_of_vehicle("v", 1_700_000_000_000, "d"),
                "2176007ffffe74301a97ff6400",
            ),
            (Key::profile("v", "d"), "2276006400"),
            (
                Key::histogram(9, "van", "-", "4.2.0", 19_675),
                "300976616e002d00342e322e300080004cdb",
            ),
            (
                Key::histogram(0, "van", "-", "4.2.0", -1),
                "300076616e002d00342e322e30007fffffff",
            ),
            (Key::audit(1, 0), "40fffffffffffffffeffffffff"),
            (Key::shelved(Shelf::Grade, "g"), "50016700"),
        ];
        for (key, bytes) in golden {
            assert_eq!(hex(key.as_bytes()), bytes, "{key}");
        }
        assert_eq!(hex(&Key::class("v").piece(3)), "12760003");
        assert_eq!(hex(&of_vehicle("v")), "217600");
        assert_eq!(hex(&of_histograms(1, Some("a"), None, Some("x"))), "30016100");
    }

    #[test]
    fn a_vehicle_does_not_take_in_one_with_a_longer_name() {
        let other = Key::descent_of_vehicle("van-10", 0, "d");
        assert!(!other.as_bytes().starts_with(&of_vehicle("van-1")));
        assert!(Key::vehicle("van-1") < Key::vehicle("van-1-b"));
        assert!(Key::vehicle("van-1-b") < Key::vehicle("van-10"));
    }

    #[test]
    fn the_end_of_a_prefix_is_the_first_key_beyond_it() {
        assert_eq!(end_of(&[1, 2]), Some(vec![1, 3]));
        assert_eq!(end_of(&[1, 255]), Some(vec![2]));
        assert_eq!(end_of(&[255, 255]), None);
        assert_eq!(end_of(&[]), None);
    }

    #[test]
    fn texts_that_would_break_the_order_are_refused() {
        assert!(check_text("vehicle", "van-07").is_ok());
        for bad in ["", "a\0b", &"x".repeat(129)] {
            assert!(
                matches!(check_text("vehicle", bad), Err(StoreError::BadKey { .. })),
                "{bad:?}"
            );
        }
    }

    proptest! {
        #[test]
        fn order_of_bytes_is_the_order_of_meaning(
            a in (any::<i64>(), "[!-~]{1,6}", "[!-~]{1,6}"), b in (any::<i64>(), "[!-~]{1,6}", "[!-~]{1,6}"),
        ) {
            let meaning = (b.0, &a.1, &a.2).cmp(&(a.0, &b.1, &b.2));
            prop_assert_eq!(Key::descent(a.0, &a.1, &a.2).cmp(&Key::descent(b.0, &b.1, &b.2)), meaning);
            let meaning = (&a.1, b.0, &a.2).cmp(&(&b.1, a.0, &b.2));
            prop_assert_eq!(
                Key::descent_of_vehicle(&a.1, a.0, &a.2).cmp(&Key::descent_of_vehicle(&b.1, b.0, &b.2)), meaning
            );
        }

        #[test]
        fn keys_are_read_back(time in any::<i64>(), day in any::<i32>(), a in "[!-~]{1,9}", b in "[!-~]{1,9}", n in any::<u8>()) {
            let key = Key::descent(time, &a, &b);
            prop_assert_eq!(Key::from_stored(&key.piece(n)), Some((key.clone(), n)));
            prop_assert_eq!(
                key.parse(), Some(Parsed::Descent { start_time_ms: time, vehicle: a.clone(), descent: b.clone() })
            );
            prop_assert_eq!(Key::histogram(n, &a, &b, &a, day).parse(), Some(Parsed::Histogram {
                metric: n, class: a.clone(), grade: b.clone(), software_version: a.clone(), day,
            }));
        }

        #[test]
        fn any_bytes_can_be_parsed_and_shown(bytes in prop::collection::vec(any::<u8>(), 0..40)) {
            let key = Key::from_bytes(&bytes);
            let _ = (key.parse(), key.to_string(), Key::from_stored(&bytes), end_of(&bytes));
        }
    }
}
