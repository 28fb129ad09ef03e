//! Decimals, straight from the bytes of a file.

/// Powers of ten that a double holds exactly.
const TENS: [f64; 20] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19,
];

/// The digit 0 in every byte.
const ZEROS: u64 = 0x3030_3030_3030_3030;
/// The highest bit of every byte.
const HIGHEST: u64 = 0x8080_8080_8080_8080;

/// Reads digits with at most one decimal sign `mark` among them, and a minus before them, from `at` on. Returns the number
/// and the place behind it; `None` for what is written in another way, or has more digits than a double.
///
/// The digits as a whole number and the power of ten are both exact, so their quotient is the double nearest to the
/// decimal: what the standard library returns (W. D. Clinger, How to read floating point numbers accurately, 1990).
#[inline]
pub(super) fn number(bytes: &[u8], at: usize, mark: u8) -> Option<(f64, usize)> {
    let is_negative = *bytes.get(at)? == b'-';
    let begin = at + usize::from(is_negative);
    let (digits, decimals, end) = match short(bytes, begin, mark) {
        Some(found) => found,
        None => long(bytes, begin, mark)?,
    };
    let value = digits as f64 / TENS.get(decimals)?;
    Some((if is_negative { -value } else { value }, end))
}

/// Up to eight characters at once, which are most cells: the digits as a whole number, how many of them are decimals, and
/// the place behind them. `None` when there are more, or none.
#[inline]
fn short(bytes: &[u8], begin: usize, mark: u8) -> Option<(i64, usize, usize)> {
    let (word, others) = word(bytes, begin)?;
    let whole = others.trailing_zeros() / 8;
    let is_marked = whole < 8 && (word >> (8 * whole)) as u8 == mark ^ b'0';
    let (digits, length, decimals) = if is_marked {
        let length = (others & (others - 1)).trailing_zeros() / 8;
        let before = (1 << (8 * whole)) - 1;
        (
            (word & before) | ((word >> 8) & !before),
            length,
            length - 1 - whole,
        )
    } else {
        (word, whole, 0)
    };
    let count = length - u32::from(is_marked);
    let end = begin + length as usize;
    if count == 0
        || (length == 8 && matches!(bytes.get(end), Some(byte) if byte.is_ascii_digit() || *byte == mark))
    {
        return None;
    }
    Some((eight(digits << (64 - 8 * count)), decimals as usize, end))
}

/// Returns eight characters, the first in the lowest byte, with digits as their values; and which of them are no digits, by
/// the highest bit of their byte: the first of them for sure, as nothing below it carries over.
#[inline]
fn word(bytes: &[u8], at: usize) -> Option<(u64, u64)> {
    let word = u64::from_le_bytes(*bytes.get(at..)?.first_chunk()?) ^ ZEROS;
    Some((word, (word.wrapping_add(0x7676_7676_7676_7676) | word) & HIGHEST))
}

/// Eight digits, the first in the lowest byte, as a number: pairs, then fours, then all.
fn eight(digits: u64) -> i64 {
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
    let first = (pairs & 0x0000_00ff_0000_00ff).wrapping_mul(0x000f_4240_0000_0064);
    let second = ((pairs >> 16) & 0x0000_00ff_0000_00ff).wrapping_mul(0x0000_2710_0000_0001);
    (first.wrapping_add(second) >> 32) as i64
}

/// Any number of characters.
fn long(bytes: &[u8], begin: usize, mark: u8) -> Option<(i64, usize, usize)> {
    let (whole, mut end) = digits(bytes, begin, 0)?;
    let mut count = end - begin;
    let mut decimals = 0;
    let mut number = whole;
    if *bytes.get(end)? == mark {
        let behind;
        (number, behind) = digits(bytes, end + 1, whole)?;
        decimals = behind - end - 1;
        count += decimals;
        end = behind;
    }
    // 19 digits fit into 64 bits.
    if count == 0 || count > 19 || number > 1 << 53 {
        return None;
    }
    Some((number as i64, decimals, end))
}

/// Goes on with a number by the digits from `at` on. Returns it, modulo 2^64, and the place behind them.
fn digits(bytes: &[u8], mut at: usize, mut number: u64) -> Option<(u64, usize)> {
    while let Some((word, 0)) = word(bytes, at) {
        number = number
            .wrapping_mul(100_000_000)
            .wrapping_add(eight(word).cast_unsigned());
        at += 8;
    }
    loop {
        let digit = bytes.get(at)?.wrapping_sub(b'0');
        if digit > 9 {
            return Some((number, at));
        }
        number = number.wrapping_mul(10).wrapping_add(u64::from(digit));
        at += 1;
    }
}
