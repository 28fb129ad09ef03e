//! Gathers unmatched descents that keep recurring into proposals for new grades.

use super::{
    Catalogue, Grade, GradeProfile, Position,
    decide::{Candidate, fits},
    fit::Alignment,
    shape::DescentShape,
};

/// Overlap from which two descents are held to be of the same grade.
const SAME_SHARE: f64 = 0.85;
/// Shortest stretch over which heights of several descents are averaged, m.
const LEAST_STRETCH_M: f64 = 40.0;
/// Most stretches of a mean profile.
const MOST_STRETCHES: f64 = 250.0;

/// A stretch of road that several unmatched descents share.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// Which of the descents given, in order.
    pub members: Vec<usize>,
    /// By how many vehicles.
    pub vehicles: usize,
    /// Mean profile.
    pub profile: GradeProfile,
    /// Mean place of the tops, where streamed.
    pub top: Option<Position>,
    /// Mean place of the bottoms, where streamed.
    pub bottom: Option<Position>,
    /// Root mean square of the misfits of the members with the one that stands in the middle, m.
    pub misfit_m: f64,
}

/// Gathers unmatched (vehicle, descent) into stretches that at least `least_count` of them share, the most frequent first.
/// No descent is in two proposals.
pub fn propose<V: AsRef<str>>(unmatched: &[(V, DescentShape)], least_count: usize) -> Vec<Proposal> {
    let neighbours = neighbours(unmatched);
    let mut free = vec![true; unmatched.len()];
    let mut found = Vec::new();
    loop {
        let open = |i: usize, free: &[bool]| neighbours[i].iter().filter(|(j, _)| free[*j]).count();
        // The first of those with most neighbours: `max_by_key` alone would take the last.
        let Some(center) = (0..unmatched.len())
            .filter(|i| free[*i])
            .rev()
            .max_by_key(|i| open(*i, &free))
        else {
            break;
        };
        let members: Vec<(usize, Alignment)> = neighbours[center]
            .iter()
            .copied()
            .filter(|(j, _)| free[*j])
            .collect();
        free[center] = false;
        for (j, _) in &members {
            free[*j] = false;
        }
        if members.len() < least_count.max(1) {
            continue;
        }
        found.extend(proposal(unmatched, center, &members));
    }
    // Stable: among equals the one whose middle came first.
    found.sort_by_key(|p| std::cmp::Reverse((p.members.len(), p.vehicles)));
    found
}

/// Returns for each descent those that lie on it, itself included.
fn neighbours<V: AsRef<str>>(unmatched: &[(V, DescentShape)]) -> Vec<Vec<(usize, Alignment)>> {
    let grades: Vec<Grade> = unmatched
        .iter()
        .enumerate()
        .filter_map(|(i, (_, shape))| {
            Some(Grade {
                grade: format!("{i}"),
                display_name: String::new(),
                profile: profile(shape)?,
                top: shape.start,
                bottom: shape.end,
            })
        })
        .collect();
    let mut lists = vec![Vec::new(); unmatched.len()];
    let Ok(catalogue) = Catalogue::new(grades) else {
        return lists;
    };
    for (j, (_, shape)) in unmatched.iter().enumerate() {
        for c in catalogue.all_whole_fits(shape) {
            if is_same(&c, shape)
                && let Ok(i) = c.grade.grade.parse::<usize>()
            {
                lists[i].push((j, c.alignment));
            }
        }
    }
    lists
}

/// Returns whether a descent and a grade are the same stretch of road.
fn is_same(c: &Candidate<'_>, shape: &DescentShape) -> bool {
    fits(c, shape)
        && c.alignment.coverage >= SAME_SHARE
        && c.alignment.inside >= SAME_SHARE
        && super::decide::is_possible_place(c, shape)
}

impl Catalogue {
    /// Returns the grades that are the same stretch of road as the descent, as far as their profiles and positions tell, the
    /// best first. Unlike [`Catalogue::matches`] it does not rule out chance, and may return several.
    pub fn alike(&self, shape: &DescentShape) -> Vec<&Grade> {
        let mut found = self.all_whole_fits(shape);
        found.retain(|c| is_same(c, shape));
        found.sort_by(|a, b| a.alignment.misfit_m.total_cmp(&b.alignment.misfit_m));
        found.into_iter().map(|c| c.grade).collect()
    }
}

fn profile(shape: &DescentShape) -> Option<GradeProfile> {
    let points: Vec<(f64, f64)> = shape
        .nodes
        .iter()
        .map(|n| (f64::from(n.0), f64::from(n.1)))
        .collect();
    GradeProfile::from_points(&points).ok()
}

/// Averages the members as they lie on the one in the middle.
fn proposal<V: AsRef<str>>(
    unmatched: &[(V, DescentShape)],
    center: usize,
    members: &[(usize, Alignment)],
) -> Option<Proposal> {
    let reference = profile(&unmatched[center].1)?;
    let count = members.len() as f64;
    let mean = |of: fn(&Alignment) -> f64| members.iter().map(|(_, a)| of(a)).sum::<f64>() / count;
    // The metre and the zero are those of the mean vehicle, not of the one in the middle.
    let metre = mean(|a| 1.0 / a.stretch);
    let zero = mean(|a| a.offset_m);
    let (top, bottom) = (mean(|a| a.shift_m), {
        let ends = members
            .iter()
            .map(|(j, a)| a.shift_m + a.stretch * unmatched[*j].1.length_m);
        ends.sum::<f64>() / count
    });
    let step = ((bottom - top) / MOST_STRETCHES).max(LEAST_STRETCH_M);
    let bins = ((bottom - top) / step).ceil().max(1.0) as usize;
    // Each point tells by how much the reference is off there: averaging differences leaves the slope alone.
    let mut off = vec![(0.0, 0.0, 0_u32); bins];
    for (j, a) in members {
        for (s, h) in &unmatched[*j].1.nodes {
            let p = a.shift_m + a.stretch * f64::from(*s);
            if p < top || p > bottom || p < 0.0 || p > reference.length_m() {
                continue;
            }
            let bin = &mut off[(((p - top) / step) as usize).min(bins - 1)];
            bin.0 += p;
            bin.1 += f64::from(*h) - a.offset_m - reference.altitude_at(p);
            bin.2 += 1;
        }
    }
    let points: Vec<(f64, f64)> = off
        .iter()
        .filter(|b| b.2 > 0)
        .map(|(p, d, n)| {
            let n = f64::from(*n);
            let p = p / n;
            ((p - top) * metre, reference.altitude_at(p) + d / n + zero)
        })
        .collect();
    let squares: f64 = members.iter().map(|(_, a)| a.misfit_m * a.misfit_m).sum();
    let mut vehicles: Vec<&str> = members.iter().map(|(j, _)| unmatched[*j].0.as_ref()).collect();
    vehicles.sort_unstable();
    vehicles.dedup();
    let place = |of: fn(&DescentShape) -> Option<Position>| {
        mean_place(members.iter().filter_map(|(j, _)| of(&unmatched[*j].1)))
    };
    Some(Proposal {
        vehicles: vehicles.len(),
        profile: GradeProfile::from_points(&points).ok()?,
        top: place(|s| s.start),
        bottom: place(|s| s.end),
        misfit_m: (squares / count).sqrt(),
        members: members.iter().map(|(j, _)| *j).collect(),
    })
}

/// Returns the mean of places near each other, also across the line where longitudes begin anew.
fn mean_place(places: impl Iterator<Item = Position>) -> Option<Position> {
    let mut first: Option<Position> = None;
    let (mut north, mut east, mut count) = (0.0, 0.0, 0.0);
    for p in places {
        let origin = *first.get_or_insert(p);
        let around = (p.longitude_deg - origin.longitude_deg + 540.0).rem_euclid(360.0) - 180.0;
        north += p.latitude_deg;
        east += around;
        count += 1.0;
    }
    first.map(|origin| Position {
        latitude_deg: north / count,
        longitude_deg: (origin.longitude_deg + east / count + 540.0).rem_euclid(360.0) - 180.0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_averaged_across_the_date_line() {
        let at = |longitude_deg| Position {
            latitude_deg: 10.0,
            longitude_deg,
        };
        let mean = mean_place([at(179.9), at(-179.9), at(-179.7)].into_iter()).unwrap();
        assert!((mean.longitude_deg + 179.9).abs() < 1e-9, "{mean:?}");
        assert_eq!(mean_place(std::iter::empty()), None);
    }
}
