//! A simulated fleet whose every joule is known, for the demonstration and for tests.
//!
//! [`road`] and [`driver`] say where and how fast a vehicle goes, [`machine`] what that takes, in closed form for every
//! interval between two samples; [`drive`](mod@drive) puts them together into a trace and the [`Truth`] of its descents; [`sensors`]
//! turns the trace into samples with noise, losses and gaps; [`survey`] is what is known of its roads; [`scenario`] is the
//! invented fleet with what goes wrong in
//! it. Nothing here knows how the engine finds descents.
//!
//! ```
//! use coldbrake::demo::Scenario;
//! let scenario = Scenario { seed: 1, vehicles: 6, days: 1 };
//! let fleet = scenario.fleet();
//! let day = scenario.day(&fleet[0], 0)?;
//! let t = &day.descents[0].truth;
//! let given = t.potential_released_j + t.kinetic_released_j + t.propulsion_j;
//! assert!((given - t.road_load_j - t.available_j).abs() < 1e-6 * given);
//! # Ok::<(), coldbrake::demo::ScenarioError>(())
//! ```

pub mod drive;
pub mod driver;
pub mod machine;
pub mod noise;
pub mod road;
pub mod scenario;
pub mod sensors;
pub mod survey;

pub use drive::Truth;
pub use scenario::{Scenario, ScenarioError};
