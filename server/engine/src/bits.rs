//! Numbers as bits: each as its difference from what was to be expected, in as few bits as that takes.
//!
//! A type describes its fields once, in a function `packed`, for both directions: a [`Writer`] writes the value that it is
//! given and returns it, a [`Reader`] takes no notice of it and returns what it reads. So what is written and what is read
//! cannot drift apart, and a field that is forgotten does not compile. Expectations only make things small: whatever they
//! are, the value comes back to the bit. They are computed alike on both sides, from what is known there already.
//!
//! A whole number is written as its width, seen from that of the number before it or of the same field in the row before,
//! and then its bits below the leading one.

use crate::flow::round;

/// Most numbers of a row.
const SLOTS: usize = 64;

/// Widths of the numbers before.
#[derive(Clone, Debug)]
pub(crate) struct Widths {
    of: [u8; SLOTS],
    at: usize,
    /// 1 within rows, else 0.
    step: usize,
}

impl Widths {
    const fn new() -> Self {
        Self {
            of: [0; SLOTS],
            at: 0,
            step: 0,
        }
    }

    /// Returns the place of the next number's width.
    #[inline]
    fn next(&mut self) -> usize {
        let at = self.at % SLOTS;
        self.at += self.step;
        at
    }
}

/// Writes or reads.
pub(crate) trait Bits: Sized {
    /// Whether values come from the bits.
    const READS: bool;

    /// Writes or reads a number of up to 64 bits.
    fn raw(&mut self, value: u64, count: u32) -> u64;

    /// Writes or reads a whole number.
    fn int(&mut self, value: i64, expected: i64) -> i64;

    /// Returns the widths of the numbers before.
    fn widths(&mut self) -> &mut Widths;

    /// Returns whether there is nothing more to read.
    fn failed(&self) -> bool;

    /// Writes or reads one bit.
    #[inline]
    fn bit(&mut self, value: bool) -> bool {
        self.raw(u64::from(value), 1) != 0
    }

    /// Writes or reads what may be absent.
    fn maybe(&mut self, value: Option<i64>, expected: Option<i64>) -> Option<i64> {
        if self.bit(value.is_some()) {
            Some(self.int(value.unwrap_or_default(), expected.unwrap_or_default()))
        } else {
            self.widths().next();
            None
        }
    }

    /// The same for a smaller number.
    fn maybe_small(&mut self, value: Option<i32>, expected: Option<i32>) -> Option<i32> {
        self.maybe(value.map(i64::from), expected.map(i64::from))
            .map(|x| x as i32)
    }

    /// Writes or reads a double: as what was expected, as 0, as its leading bits when the rest are 0, or as the difference of
    /// all its bits from those expected.
    fn float(&mut self, value: f64, expected: f64) -> f64 {
        let (bits, like) = (value.to_bits(), expected.to_bits());
        if !self.bit(bits != like) {
            return expected;
        }
        let (short, far) = (bits.reverse_bits(), fold(bits.wrapping_sub(like) as i64));
        let kind = match bits {
            0 => 0,
            _ if short <= far => 1,
            _ => 2,
        };
        match self.raw(kind, 2) {
            0 => 0.0,
            1 => f64::from_bits(number(self, short).reverse_bits()),
            _ => f64::from_bits(like.wrapping_add(unfold(number(self, far)) as u64)),
        }
    }

    /// Writes or reads a double that may be absent.
    fn maybe_float(&mut self, value: Option<f64>, expected: f64) -> Option<f64> {
        self.bit(value.is_some())
            .then(|| self.float(value.unwrap_or_default(), expected))
    }

    /// Writes or reads a double that most likely is a whole number of steps, `per` of them to 1.
    fn decimal(&mut self, value: f64, expected: f64, per: f64) -> f64 {
        let steps = round(value * per);
        if self.bit((steps as f64 / per).to_bits() == value.to_bits()) {
            self.int(steps, round(expected * per)) as f64 / per
        } else {
            self.float(value, expected)
        }
    }

    /// The same for one that may be absent.
    fn maybe_decimal(&mut self, value: Option<f64>, expected: Option<f64>, per: f64) -> Option<f64> {
        self.bit(value.is_some())
            .then(|| self.decimal(value.unwrap_or_default(), expected.unwrap_or_default(), per))
    }

    /// Writes or reads rows that resemble one another. `each` does one, given the row before. Returns them when reading.
    fn rows<'a, T: Copy + Default + 'a>(
        &mut self,
        rows: impl ExactSizeIterator<Item = &'a T>,
        first: &T,
        mut each: impl FnMut(&mut Self, &T, &T) -> T,
    ) -> Vec<T> {
        let count = self.int(rows.len() as i64, 0);
        *self.widths() = Widths::new();
        self.widths().step = 1;
        let mut read = Vec::new();
        if Self::READS {
            let mut before = *first;
            for _ in 0..count {
                // A count that cannot be ends with the bits.
                if self.failed() {
                    break;
                }
                self.widths().at = 0;
                before = each(self, &T::default(), &before);
                read.push(before);
            }
        } else {
            rows.fold(None, |before, row| {
                self.widths().at = 0;
                each(self, row, before.unwrap_or(first));
                Some(row)
            });
        }
        *self.widths() = Widths::new();
        read
    }
}

/// Writes or reads a number above 0.
fn number<B: Bits>(b: &mut B, value: u64) -> u64 {
    let below = b.raw(u64::from((value | 1).ilog2()), 6) as u32;
    b.raw(value & low(below), below) | 1 << below
}

/// Returns a mask of the lowest bits, at most 63.
#[inline]
const fn low(count: u32) -> u64 {
    (1 << count) - 1
}

/// Small numbers of either sign become small ones.
#[inline]
const fn fold(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}

#[inline]
const fn unfold(folded: u64) -> i64 {
    (folded >> 1) as i64 ^ -((folded & 1) as i64)
}

/// Returns the part of a sum that belongs to `part` of `whole`, when it is spread evenly: what is expected of it.
pub(crate) fn share(of: i64, part: i64, whole: i64) -> i64 {
    if of == 0 || whole == 0 {
        0
    } else if part == whole {
        of
    } else {
        (of as f64 * part as f64 / whole as f64) as i64
    }
}

/// How a width differs from the one before, −3 to 3: code, lowest bit first, and its length.
const NEAR: [(u8, u8); 7] = [
    (0b0_0011, 5),
    (0b0_1011, 5),
    (0b001, 3),
    (0b0, 1),
    (0b101, 3),
    (0b1_0011, 5),
    (0b1_1011, 5),
];
/// Any other width follows in so many bits.
const FAR: u64 = 0b111;
const WIDTH_BITS: u32 = 7;

/// Words that are gathered before they become bytes: 4 KiB, more than a state takes.
const WORDS: usize = 512;

/// Writes bits behind bytes that are there already.
#[derive(Debug)]
pub(crate) struct Writer {
    bytes: Vec<u8>,
    words: [u64; WORDS],
    whole: usize,
    held: u64,
    count: u32,
    widths: Widths,
}

impl Writer {
    pub(crate) const fn new(bytes: Vec<u8>) -> Self {
        Self {
            bytes,
            words: [0; WORDS],
            whole: 0,
            held: 0,
            count: 0,
            widths: Widths::new(),
        }
    }

    /// Returns all bytes, in a vector that holds nothing else.
    pub(crate) fn finish(mut self) -> Vec<u8> {
        let left = self.count.div_ceil(8) as usize;
        self.bytes.reserve_exact(8 * self.whole + left);
        self.spill();
        self.bytes.extend_from_slice(&self.held.to_le_bytes()[..left]);
        self.bytes
    }

    #[inline(never)]
    fn spill(&mut self) {
        let words = &self.words[..self.whole];
        self.bytes
            .extend(words.iter().flat_map(|word| word.to_le_bytes()));
        self.whole = 0;
    }

    #[inline]
    fn put(&mut self, value: u64, count: u32) {
        self.held |= value << self.count;
        let held = self.count + count;
        if held < 64 {
            self.count = held;
            return;
        }
        self.words[self.whole % WORDS] = self.held;
        self.whole += 1;
        // Nothing of it is left when it all went out.
        self.held = value.checked_shr(64 - self.count).unwrap_or(0);
        self.count = held - 64;
        if self.whole == WORDS {
            self.spill();
        }
    }

    /// Writes the difference from what was expected, unless it is 0 as the one before was.
    #[inline(never)]
    fn put_difference(&mut self, folded: u64, at: usize) {
        let before = u32::from(self.widths.of[at % SLOTS]);
        let below = (folded | 1).ilog2();
        let width = below + u32::from(folded != 0);
        self.widths.of[at % SLOTS] = width as u8;
        let near = (width + 3).wrapping_sub(before) as usize;
        let (code, length) = match NEAR.get(near) {
            Some((code, length)) => (u64::from(*code), u32::from(*length)),
            None => (FAR | u64::from(width) << 3, 3 + WIDTH_BITS),
        };
        // The leading bit is known.
        let rest = folded & low(below);
        if length + below <= 64 {
            self.put(code | rest << length, length + below);
        } else {
            self.put(code, length);
            self.put(rest, below);
        }
    }
}

impl Bits for Writer {
    const READS: bool = false;

    #[inline]
    fn raw(&mut self, value: u64, count: u32) -> u64 {
        self.put(value, count);
        value
    }

    #[inline]
    fn int(&mut self, value: i64, expected: i64) -> i64 {
        let at = self.widths.next();
        if value == expected && self.widths.of[at] == 0 {
            self.put(0, 1);
        } else {
            self.put_difference(fold(value.wrapping_sub(expected)), at);
        }
        value
    }

    fn widths(&mut self) -> &mut Widths {
        &mut self.widths
    }

    fn failed(&self) -> bool {
        false
    }
}

/// Reads them back. What lies behind the end reads as 0.
#[derive(Debug)]
pub(crate) struct Reader<'a> {
    bytes: &'a [u8],
    held: u64,
    count: u32,
    failed: bool,
    widths: Widths,
}

impl<'a> Reader<'a> {
    pub(crate) const fn new(bytes: &'a [u8]) -> Self {
        Self {
            bytes,
            held: 0,
            count: 0,
            failed: false,
            widths: Widths::new(),
        }
    }

    /// Returns what is wrong with the bits, if anything.
    pub(crate) fn finish(&self) -> Result<(), String> {
        if self.failed {
            Err("the bits end early, or one of the numbers has no width".to_owned())
        } else if !self.bytes.is_empty() || self.held != 0 {
            Err(format!("{} bytes are left over", self.bytes.len().max(1)))
        } else {
            Ok(())
        }
    }

    fn get(&mut self, count: u32) -> u64 {
        if count > 32 {
            let lower = self.get(32);
            return lower | self.get(count - 32) << 32;
        }
        while self.count < count {
            if let Some(next) = self.bytes.first_chunk() {
                // Whole bytes of it count; the bits above them come again.
                self.held |= u64::from_le_bytes(*next) << self.count;
                let whole = (63 - self.count) / 8;
                self.count += 8 * whole;
                self.bytes = &self.bytes[whole as usize..];
            } else if let Some((byte, rest)) = self.bytes.split_first() {
                self.held |= u64::from(*byte) << self.count;
                self.count += 8;
                self.bytes = rest;
            } else {
                self.failed = true;
                return 0;
            }
        }
        let value = self.held & low(count);
        self.held >>= count;
        self.count -= count;
        value
    }

    fn width(&mut self, before: u32) -> u32 {
        let mut ones = 0;
        while ones < 3 && self.get(1) == 1 {
            ones += 1;
        }
        let near = match ones {
            0 => return before,
            1 => 2 + 2 * self.get(1),
            2 => [0, 1, 5, 6][self.get(2) as usize % 4],
            _ => return self.get(WIDTH_BITS) as u32,
        };
        (before + near as u32).wrapping_sub(3)
    }
}

impl Bits for Reader<'_> {
    const READS: bool = true;

    fn raw(&mut self, _: u64, count: u32) -> u64 {
        self.get(count)
    }

    fn int(&mut self, _: i64, expected: i64) -> i64 {
        let at = self.widths.next();
        let mut width = self.width(u32::from(self.widths.of[at]));
        if width > 64 {
            self.failed = true;
            width = 0;
        }
        self.widths.of[at] = width as u8;
        let folded = match width {
            0 => 0,
            _ => self.get(width - 1) | 1 << (width - 1),
        };
        expected.wrapping_add(unfold(folded))
    }

    fn widths(&mut self) -> &mut Widths {
        &mut self.widths
    }

    fn failed(&self) -> bool {
        self.failed
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[derive(Clone, Debug)]
    enum Any {
        Raw(u64, u32),
        Int(i64, i64),
        Float(f64, f64),
        Decimal(f64, f64),
        Maybe(Option<i64>),
        Rows(Vec<(i64, i64)>),
    }

    fn any_int() -> impl Strategy<Value = i64> {
        (any::<i64>(), 0..64_u32).prop_map(|(x, by)| x >> by)
    }

    fn any_float() -> impl Strategy<Value = f64> {
        prop_oneof![
            Just(0.0),
            Just(-0.0),
            any::<u64>().prop_map(f64::from_bits),
            any_int().prop_map(|k| k as f64 / 100.0),
            any_int().prop_map(|k| k as f64),
        ]
    }

    fn anything() -> impl Strategy<Value = Any> {
        prop_oneof![
            (any::<u64>(), 0..=64_u32).prop_map(|(x, n)| Any::Raw(x.checked_shr(64 - n).unwrap_or(0), n)),
            (any_int(), any_int()).prop_map(|(x, e)| Any::Int(x, e)),
            (any_int(), 0..9_i64).prop_map(|(x, d)| Any::Int(x, x.wrapping_add(d))),
            (any_float(), any_float()).prop_map(|(x, e)| Any::Float(x, e)),
            any_float().prop_map(|x| Any::Float(x, x)),
            any_float().prop_map(|x| Any::Float(x, f64::from_bits(x.to_bits() ^ 0x3ff))),
            (any_float(), any_float()).prop_map(|(x, e)| Any::Decimal(x, e)),
            proptest::option::of(any_int()).prop_map(Any::Maybe),
            proptest::collection::vec((any_int(), any_int()), 0..9).prop_map(Any::Rows),
        ]
    }

    /// Equal to the bit, which is more than equal.
    fn packed<B: Bits>(b: &mut B, all: &[Any]) -> Vec<String> {
        let blank = B::READS;
        let show = |x: f64| format!("{:x}", x.to_bits());
        all.iter()
            .map(|one| match one {
                Any::Raw(x, n) => b.raw(if blank { 0 } else { *x }, *n).to_string(),
                Any::Int(x, e) => b.int(if blank { 0 } else { *x }, *e).to_string(),
                Any::Float(x, e) => show(b.float(if blank { 0.0 } else { *x }, *e)),
                Any::Decimal(x, e) => show(b.decimal(if blank { 0.0 } else { *x }, *e, 100.0)),
                Any::Maybe(x) => format!("{:?}", b.maybe(if blank { None } else { *x }, Some(7))),
                Any::Rows(rows) => {
                    let given = if blank { &[][..] } else { rows };
                    let read = b.rows(given.iter(), &(0, 0), |b, row, before| {
                        let first = b.int(row.0, before.0);
                        (first, b.int(row.1, first))
                    });
                    format!("{:?}", if blank { &read } else { rows })
                }
            })
            .collect()
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(all in proptest::collection::vec(anything(), 0..40)) {
            let mut writer = Writer::new(vec![9]);
            let written = packed(&mut writer, &all);
            let bytes = writer.finish();
            let mut reader = Reader::new(&bytes[1..]);
            prop_assert_eq!(packed(&mut reader, &all), written);
            prop_assert_eq!(reader.finish(), Ok(()));
            let mut longer = bytes.clone();
            longer.push(0);
            let mut reader = Reader::new(&longer[1..]);
            packed(&mut reader, &all);
            prop_assert!(reader.finish().is_err());
        }
    }

    #[test]
    fn what_is_expected_costs_a_bit() {
        let mut writer = Writer::new(Vec::new());
        for _ in 0..64 {
            writer.int(7, 7);
            writer.float(0.3, 0.3);
        }
        assert_eq!(writer.finish().len(), 16);
    }

    #[test]
    fn a_number_of_rows_that_cannot_be_ends_with_the_bytes() {
        let mut writer = Writer::new(Vec::new());
        writer.int(i64::MAX, 0);
        let bytes = writer.finish();
        let mut reader = Reader::new(&bytes);
        let none: [i64; 0] = [];
        let rows = reader.rows(none.iter(), &0, |b, row, before| b.int(*row, *before));
        assert!(rows.len() < 64);
        assert!(reader.finish().is_err());
    }
}
