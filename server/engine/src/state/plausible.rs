//! Whether numbers of a state can be what a vehicle did: sums that no drive reaches would run over with the next sample.
//!
//! Walks along what the state would write, so that a new field is looked at without being named here.

use serde::ser::{self, Serialize};

/// Largest count or sum: in mm, mJ or ms still a thousand times what a vehicle does in its life.
pub(super) const LARGEST: i64 = 1 << 60;
/// Smallest: half of the range stands for "never" in one place.
const SMALLEST: i64 = i64::MIN / 2;
/// Largest of the small counts.
const LARGEST_SMALL: u32 = 1 << 31;

/// Returns what no drive can have come to; `None` when all numbers are plausible.
pub(super) fn implausible(state: &impl Serialize) -> Option<String> {
    state.serialize(Look).err().map(|found| found.0)
}

/// What was found.
#[derive(Debug)]
struct Found(String);

impl std::fmt::Display for Found {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Found {}

impl ser::Error for Found {
    fn custom<T: std::fmt::Display>(what: T) -> Self {
        Self(what.to_string())
    }
}

/// Looks at every number and writes nothing.
#[derive(Clone, Copy)]
struct Look;

fn within(good: bool, number: impl std::fmt::Display) -> Result<(), Found> {
    if good {
        Ok(())
    } else {
        Err(Found(format!("the number {number} cannot be")))
    }
}

macro_rules! looked_at {
    ($($name:ident: $kind:ty, $number:ident => $good:expr;)+) => {
        $(fn $name(self, $number: $kind) -> Result<(), Found> {
            within($good, $number)
        })+
    };
}

impl ser::Serializer for Look {
    type Ok = ();
    type Error = Found;
    type SerializeSeq = Self;
    type SerializeTuple = Self;
    type SerializeTupleStruct = Self;
    type SerializeTupleVariant = Self;
    type SerializeMap = Self;
    type SerializeStruct = Self;
    type SerializeStructVariant = Self;

    looked_at! {
        serialize_bool: bool, n => { let _ = n; true };
        serialize_i8: i8, n => { let _ = n; true };
        serialize_i16: i16, n => { let _ = n; true };
        serialize_i32: i32, n => n.unsigned_abs() <= LARGEST_SMALL;
        serialize_i64: i64, n => (SMALLEST..=LARGEST).contains(&n);
        serialize_u8: u8, n => { let _ = n; true };
        serialize_u16: u16, n => { let _ = n; true };
        serialize_u32: u32, n => n <= LARGEST_SMALL;
        serialize_u64: u64, n => n <= LARGEST as u64;
        serialize_f32: f32, n => n.is_finite();
        serialize_f64: f64, n => n.is_finite();
        serialize_char: char, c => { let _ = c; true };
        serialize_str: &str, text => { let _ = text; true };
    }

    fn serialize_bytes(self, _: &[u8]) -> Result<(), Found> {
        Ok(())
    }

    fn serialize_none(self) -> Result<(), Found> {
        Ok(())
    }

    fn serialize_some<T: ?Sized + Serialize>(self, value: &T) -> Result<(), Found> {
        value.serialize(self)
    }

    fn serialize_unit(self) -> Result<(), Found> {
        Ok(())
    }

    fn serialize_unit_struct(self, _: &'static str) -> Result<(), Found> {
        Ok(())
    }

    fn serialize_unit_variant(self, _: &'static str, _: u32, _: &'static str) -> Result<(), Found> {
        Ok(())
    }

    fn serialize_newtype_struct<T: ?Sized + Serialize>(
        self,
        _: &'static str,
        value: &T,
    ) -> Result<(), Found> {
        value.serialize(self)
    }

    fn serialize_newtype_variant<T: ?Sized + Serialize>(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        value: &T,
    ) -> Result<(), Found> {
        value.serialize(self)
    }

    fn serialize_seq(self, _: Option<usize>) -> Result<Self, Found> {
        Ok(self)
    }

    fn serialize_tuple(self, _: usize) -> Result<Self, Found> {
        Ok(self)
    }

    fn serialize_tuple_struct(self, _: &'static str, _: usize) -> Result<Self, Found> {
        Ok(self)
    }

    fn serialize_tuple_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self, Found> {
        Ok(self)
    }

    fn serialize_map(self, _: Option<usize>) -> Result<Self, Found> {
        Ok(self)
    }

    fn serialize_struct(self, _: &'static str, _: usize) -> Result<Self, Found> {
        Ok(self)
    }

    fn serialize_struct_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self, Found> {
        Ok(self)
    }
}

macro_rules! parts {
    ($($kind:ident: $name:ident;)+) => {
        $(impl ser::$kind for Look {
            type Ok = ();
            type Error = Found;

            fn $name<T: ?Sized + Serialize>(&mut self, value: &T) -> Result<(), Found> {
                value.serialize(*self)
            }

            fn end(self) -> Result<(), Found> {
                Ok(())
            }
        })+
    };
}

parts! {
    SerializeSeq: serialize_element;
    SerializeTuple: serialize_element;
    SerializeTupleStruct: serialize_field;
    SerializeTupleVariant: serialize_field;
}

macro_rules! named_parts {
    ($($kind:ident;)+) => {
        $(impl ser::$kind for Look {
            type Ok = ();
            type Error = Found;

            fn serialize_field<T: ?Sized + Serialize>(&mut self, name: &'static str, value: &T) -> Result<(), Found> {
                // The innermost name is the one that tells.
                value.serialize(*self).map_err(|Found(what)| {
                    Found(if what.starts_with('`') { what } else { format!("`{name}`: {what}") })
                })
            }

            fn end(self) -> Result<(), Found> {
                Ok(())
            }
        })+
    };
}

named_parts! {
    SerializeStruct;
    SerializeStructVariant;
}

impl ser::SerializeMap for Look {
    type Ok = ();
    type Error = Found;

    fn serialize_key<T: ?Sized + Serialize>(&mut self, key: &T) -> Result<(), Found> {
        key.serialize(*self)
    }

    fn serialize_value<T: ?Sized + Serialize>(&mut self, value: &T) -> Result<(), Found> {
        value.serialize(*self)
    }

    fn end(self) -> Result<(), Found> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use serde::Serialize;

    use super::*;

    #[derive(Serialize)]
    struct Outer {
        sums: [i64; 2],
        inner: Option<Inner>,
    }

    #[derive(Serialize)]
    struct Inner {
        share: f64,
        count: u32,
    }

    #[test]
    fn the_field_that_cannot_be_is_named() {
        let good = |share, count, sum| Outer {
            sums: [0, sum],
            inner: Some(Inner { share, count }),
        };
        assert_eq!(implausible(&good(0.5, 7, SMALLEST)), None);
        let found = |outer| implausible(&outer).unwrap_or_default();
        assert_eq!(found(good(f64::NAN, 7, 0)), "`share`: the number NaN cannot be");
        assert_eq!(
            found(good(0.5, u32::MAX, 0)),
            "`count`: the number 4294967295 cannot be"
        );
        assert!(found(good(0.5, 7, i64::MAX)).starts_with("`sums`"));
        assert!(found(good(0.5, 7, i64::MIN)).starts_with("`sums`"));
    }
}
