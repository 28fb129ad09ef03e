//! Constants of nature and of standards.

/// Standard acceleration of gravity, m/s² (ISO 80000-3; 3rd General Conference on Weights and Measures, 1901).
pub const STANDARD_GRAVITY: f64 = 9.806_65;

/// Drop of the Type-II test of UN Regulation No. 13, m: 6 km at 6 % (the clause is quoted from memory).
pub const TYPE_II_DROP_M: f64 = 360.0;
