//! A metric over days, weeks, versions, classes or grades, from the merged histograms.

use coldbrake_proto::v1::{
    GetTrendRequest, GetTrendResponse, TrendGroup, TrendGrouping, trend_service_server::TrendService,
};
use tonic::{Request, Response, Status};

use super::{Reader, descents};
use crate::{
    status::Refusal,
    store::{Group, Grouping, HistogramQuery, MergedHistogram, groups::monday_of},
};

/// Most groups in an answer, the empty days and weeks among them.
const MOST_GROUPS: usize = 1_000;

/// Answers how a metric went.
#[derive(Clone)]
pub(crate) struct Trends {
    reader: Reader,
}

impl Trends {
    pub(crate) fn new(reader: Reader) -> Self {
        Self { reader }
    }
}

#[tonic::async_trait]
impl TrendService for Trends {
    async fn get_trend(
        &self,
        request: Request<GetTrendRequest>,
    ) -> Result<Response<GetTrendResponse>, Status> {
        let request = request.into_inner();
        let metric = descents::metric("metric", &request.metric)?;
        descents::days(request.first_day, request.last_day)?;
        let grouping = match request.grouping() {
            TrendGrouping::Day => Grouping::Day,
            TrendGrouping::Week => Grouping::Week,
            TrendGrouping::SoftwareVersion => Grouping::SoftwareVersion,
            TrendGrouping::VehicleClass => Grouping::VehicleClass,
            TrendGrouping::Grade => Grouping::Grade,
            TrendGrouping::Unspecified => {
                let text = "is not said: give a day, a week, a software version, a class or a grade";
                return Err(Refusal::field("grouping", text).into());
            }
        };
        let asked = (request.first_day, request.last_day);
        let query = HistogramQuery {
            metric,
            vehicle_class: request.vehicle_class,
            software_version: request.software_version,
            grade: request.grade,
            first_day: request.first_day,
            last_day: request.last_day,
        };
        let groups = self
            .reader
            .read(move |store, _| {
                let groups = store.histogram_groups(&query, grouping, MOST_GROUPS)?;
                if groups.len() > MOST_GROUPS {
                    return Err(too_many());
                }
                let shown = groups
                    .into_merged()
                    .map(|(group, merged)| (group, group_of(&merged)));
                let shown = shown.collect();
                match grouping {
                    Grouping::Day => timed(shown, asked, Step::Day),
                    Grouping::Week => timed(shown, asked, Step::Week),
                    _ => Ok(named(shown)),
                }
            })
            .await?;
        let scale = metric.scale();
        Ok(Response::new(GetTrendResponse {
            metric: scale.name.to_owned(),
            unit: scale.unit.to_owned(),
            groups,
        }))
    }
}

fn too_many() -> Refusal {
    let text = format!("makes more than {MOST_GROUPS} groups: narrow the days, or group by week");
    Refusal::field("grouping", text)
}

/// Returns a group without its name.
fn group_of(merged: &MergedHistogram) -> TrendGroup {
    let quantile = |fraction| merged.histogram.quantile(fraction);
    TrendGroup {
        name: String::new(),
        first_day: None,
        count: i64::try_from(merged.histogram.count()).unwrap_or(i64::MAX),
        p10: quantile(0.1),
        median: quantile(0.5),
        p90: quantile(0.9),
        clamped_count: i64::try_from(merged.clamped).unwrap_or(i64::MAX),
    }
}

fn named(groups: Vec<(Group, TrendGroup)>) -> Vec<TrendGroup> {
    groups
        .into_iter()
        .map(|(group, shown)| TrendGroup {
            name: match group {
                Group::Named(name) => name,
                Group::From(day) => day_name(day),
            },
            ..shown
        })
        .collect()
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Day,
    Week,
}

impl Step {
    const fn days(self) -> i64 {
        match self {
            Self::Day => 1,
            Self::Week => 7,
        }
    }

    fn start_of(self, day: i32) -> i32 {
        match self {
            Self::Day => day,
            Self::Week => monday_of(day),
        }
    }

    fn name(self, day: i32) -> String {
        match self {
            Self::Day => day_name(day),
            Self::Week => week_name(day),
        }
    }
}

/// Puts the empty days or weeks between the others: from the first to the last, or those that were asked for.
fn timed(
    groups: Vec<(Group, TrendGroup)>,
    asked: (Option<i32>, Option<i32>),
    step: Step,
) -> Result<Vec<TrendGroup>, Refusal> {
    let mut found: Vec<(i32, TrendGroup)> = groups
        .into_iter()
        .filter_map(|(group, shown)| match group {
            Group::From(day) => Some((day, shown)),
            Group::Named(_) => None,
        })
        .collect();
    // Nothing at all is an empty answer, however many days were asked for.
    let (Some(first), Some(last)) = (found.first().map(|g| g.0), found.last().map(|g| g.0)) else {
        return Ok(Vec::new());
    };
    let first = i64::from(asked.0.map_or(first, |day| step.start_of(day).min(first)));
    let last = i64::from(asked.1.map_or(last, |day| step.start_of(day).max(last)));
    let count = (last - first) / step.days() + 1;
    if count > MOST_GROUPS as i64 {
        return Err(too_many());
    }
    let mut rest = found.drain(..).peekable();
    let mut all = Vec::new();
    for i in 0..count {
        let Ok(day) = i32::try_from(first + i * step.days()) else {
            break;
        };
        let shown = rest.next_if(|(at, _)| *at == day).map(|(_, shown)| shown);
        all.push(TrendGroup {
            name: step.name(day),
            first_day: Some(day),
            ..shown.unwrap_or_default()
        });
    }
    Ok(all)
}

/// Returns a UTC day as a date; `None` for one that no calendar has.
fn date(day: i32) -> Option<jiff::civil::Date> {
    let epoch = jiff::civil::date(1970, 1, 1);
    epoch.checked_add(jiff::Span::new().try_days(day).ok()?).ok()
}

fn day_name(day: i32) -> String {
    date(day).map_or_else(|| format!("day {day}"), |d| d.to_string())
}

/// Returns the week of a day as ISO 8601 writes it.
fn week_name(day: i32) -> String {
    date(day).map_or_else(
        || format!("week of day {day}"),
        |d| {
            let week = d.iso_week_date();
            format!("{:04}-W{:02}", week.year(), week.week())
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counted(day: i32, count: i64) -> (Group, TrendGroup) {
        let shown = TrendGroup {
            count,
            ..TrendGroup::default()
        };
        (Group::From(day), shown)
    }

    #[test]
    fn weeks_are_named_as_iso_8601_does() {
        // Examples from the calendar: the first week of 2026 begins in 2025, and 2020 has 53 weeks.
        for (date, name) in [
            ((2025, 12, 29), "2026-W01"),
            ((2026, 3, 9), "2026-W11"),
            ((2021, 1, 3), "2020-W53"),
        ] {
            let date = jiff::civil::date(date.0, date.1, date.2);
            let days = date.since(jiff::civil::date(1970, 1, 1)).unwrap().get_days();
            assert_eq!(week_name(days), name);
        }
        assert_eq!(day_name(20_521), "2026-03-09");
        for day in [i32::MIN, i32::MAX] {
            assert!(day_name(day).starts_with("day ") && week_name(day).starts_with("week of day "));
        }
    }

    #[test]
    fn empty_weeks_stand_where_they_were() {
        let found = || vec![counted(20_514, 3), counted(20_535, 2)];
        let rows = |groups: Vec<TrendGroup>| -> Vec<(String, i64)> {
            groups.into_iter().map(|g| (g.name, g.count)).collect()
        };
        let weeks = rows(timed(found(), (None, None), Step::Week).unwrap());
        let wanted = [("2026-W10", 3), ("2026-W11", 0), ("2026-W12", 0), ("2026-W13", 2)];
        assert_eq!(weeks, wanted.map(|(name, n)| (name.to_owned(), n)));
        let asked = timed(found(), (Some(20_508), Some(20_545)), Step::Week).unwrap();
        assert_eq!((asked.len(), asked[0].count, asked[5].count), (6, 0, 0));
        assert!(timed(vec![], (Some(0), Some(9)), Step::Day).unwrap().is_empty());
    }

    #[test]
    fn a_wide_range_is_refused_and_not_filled() {
        let far = vec![counted(0, 1), counted(2_000_000_000, 1)];
        assert!(timed(far, (None, None), Step::Day).is_err());
        let wide = timed(vec![counted(0, 1)], (Some(i32::MIN), Some(i32::MAX)), Step::Day);
        assert!(wide.is_err());
    }
}
