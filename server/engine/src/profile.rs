//! The coarse profile of a descent, of bounded size.

/// Most points of a profile.
pub const MAX_POINTS: usize = 60;
