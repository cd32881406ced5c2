//! Which backups to keep.
//!
//! Each rule of a [`Keep`] counts for itself, from the newest backup back, and a backup is discarded only when no rule wants it. The
//! rules count days, weeks, months and years that have a backup, not those of the calendar: a clinic that was closed for a month loses
//! nothing by it.

use std::collections::HashSet;

use jiff::ToSpan;
use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};

/// How many backups to keep. Nought in all of them keeps the newest only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Keep {
    /// Everything of the last so many days of 24 hours.
    pub all_days: u32,
    /// The last backup of each of so many days.
    pub daily: u32,
    /// The last backup of each of so many ISO 8601 weeks.
    pub weekly: u32,
    /// The last backup of each of so many months.
    pub monthly: u32,
    /// The last backup of each of so many years.
    pub yearly: u32,
}

impl Default for Keep {
    /// All of a week, then 31 days, 13 weeks, 24 months and 10 years.
    fn default() -> Keep {
        Keep { all_days: 7, daily: 31, weekly: 13, monthly: 24, yearly: 10 }
    }
}

/// The names of the backups that may go, the oldest first.
///
/// `backups` are the local time and the name of each, in any order; of two of the same time the later name counts as the later. The
/// newest is always kept, and so is one that lies after `now`; the latter takes no place of another, since a clock was wrong when it
/// or `now` was written. A name that stands twice goes only when nothing wants either of them.
pub fn to_discard(backups: &[(DateTime, String)], now: DateTime, keep: &Keep) -> Vec<String> {
    let mut sorted: Vec<&(DateTime, String)> = backups.iter().collect();
    sorted.sort();
    let since = now.saturating_sub((i64::from(keep.all_days) * 24).min(MOST_HOURS).hours());
    let mut kept: HashSet<&str> =
        sorted.iter().filter(|(at, _)| *at >= since || *at > now).map(|(_, name)| name.as_str()).collect();
    kept.extend(sorted.last().map(|(_, name)| name.as_str()));
    let past: Vec<&(DateTime, String)> = sorted.iter().copied().filter(|(at, _)| *at <= now).collect();
    kept.extend(last_of_each(&past, keep.daily, |at| (at.year(), i32::from(at.day_of_year()))));
    kept.extend(last_of_each(&past, keep.weekly, |at| {
        let week = at.date().iso_week_date();
        (week.year(), i32::from(week.week()))
    }));
    kept.extend(last_of_each(&past, keep.monthly, |at| (at.year(), i32::from(at.month()))));
    kept.extend(last_of_each(&past, keep.yearly, |at| (at.year(), 0)));
    let mut told = HashSet::new();
    sorted
        .iter()
        .map(|(_, name)| name)
        .filter(|name| !kept.contains(name.as_str()) && told.insert(name.as_str()))
        .cloned()
        .collect()
}

/// More hours than lie between the first and the last day that can be written, and few enough for a span.
const MOST_HOURS: i64 = 175_307_616;

/// Of backups from old to new, the last of each of the newest `most` periods.
fn last_of_each<'a>(
    backups: &[&'a (DateTime, String)],
    most: u32,
    period: impl Fn(DateTime) -> (i16, i32),
) -> Vec<&'a str> {
    let mut seen = None;
    let mut last: Vec<&str> = Vec::new();
    for (at, name) in backups.iter().rev() {
        let this = Some(period(*at));
        if this == seen {
            continue;
        }
        if last.len() >= most as usize {
            break;
        }
        seen = this;
        last.push(name);
    }
    last
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::collections::{BTreeMap, BTreeSet};

    use jiff::civil::{Date, date};
    use proptest::prelude::*;

    use super::*;

    fn none() -> Keep {
        Keep { all_days: 0, daily: 0, weekly: 0, monthly: 0, yearly: 0 }
    }

    fn named(times: impl IntoIterator<Item = DateTime>) -> Vec<(DateTime, String)> {
        times.into_iter().enumerate().map(|(i, at)| (at, format!("{at}-{i}"))).collect()
    }

    fn left(backups: &[(DateTime, String)], gone: &[String]) -> Vec<(DateTime, String)> {
        backups.iter().filter(|(_, name)| !gone.contains(name)).cloned().collect()
    }

    #[test]
    fn a_closed_month_loses_nothing() {
        // Five days of work, a month closed, one day of work.
        let days = [(3, 1), (3, 2), (3, 3), (3, 4), (3, 5), (4, 10)];
        let backups = named(days.iter().map(|(m, d)| date(2024, *m, *d).at(20, 0, 0, 0)));
        let keep = Keep { daily: 6, ..none() };
        assert!(to_discard(&backups, date(2024, 4, 11).at(8, 0, 0, 0), &keep).is_empty());
        let keep = Keep { daily: 5, ..none() };
        assert_eq!(to_discard(&backups, date(2024, 4, 11).at(8, 0, 0, 0), &keep), [backups[0].1.clone()]);
    }

    #[test]
    fn the_week_is_that_of_iso() {
        // 2024-12-30 lies in the first week of 2025; 2021-01-03 in week 53 of 2020.
        let backups = named([
            date(2024, 12, 29).at(9, 0, 0, 0),
            date(2024, 12, 30).at(9, 0, 0, 0),
            date(2025, 1, 5).at(9, 0, 0, 0),
        ]);
        let keep = Keep { weekly: 2, ..none() };
        assert_eq!(to_discard(&backups, date(2025, 1, 6).at(9, 0, 0, 0), &keep), [backups[1].1.clone()]);
    }

    #[test]
    fn edges() {
        let now = date(2024, 4, 11).at(8, 0, 0, 0);
        assert!(to_discard(&[], now, &none()).is_empty());
        let one = named([date(1999, 1, 1).at(0, 0, 0, 0)]);
        assert!(to_discard(&one, now, &none()).is_empty());
        let all = Keep { all_days: u32::MAX, ..none() };
        let two = named([DateTime::MIN, now]);
        assert!(to_discard(&two, now, &all).is_empty());
        assert!(to_discard(&two, DateTime::MIN, &all).is_empty());
        // A week to the second: the edge stays, what is a second older goes.
        let week = Keep { all_days: 7, ..none() };
        let edge = named([date(2024, 4, 4).at(7, 59, 59, 0), date(2024, 4, 4).at(8, 0, 0, 0), now]);
        assert_eq!(to_discard(&edge, now, &week), [edge[0].1.clone()]);
    }

    #[test]
    fn one_from_the_future_takes_no_place() {
        let now = date(2024, 4, 11).at(8, 0, 0, 0);
        let backups =
            named([date(2024, 4, 1).at(8, 0, 0, 0), date(2024, 4, 2).at(8, 0, 0, 0), date(2099, 1, 1).at(0, 0, 0, 0)]);
        let keep = Keep { yearly: 1, ..none() };
        assert_eq!(to_discard(&backups, now, &keep), [backups[0].1.clone()]);
    }

    #[test]
    fn a_name_that_is_wanted_once_stays() {
        let now = date(2024, 4, 11).at(8, 0, 0, 0);
        let twice = vec![(date(2020, 1, 1).at(0, 0, 0, 0), "same".to_string()), (now, "same".to_string())];
        assert!(to_discard(&twice, now, &none()).is_empty());
    }

    fn some_backups() -> impl Strategy<Value = Vec<(DateTime, String)>> {
        proptest::collection::vec((0i64..1500, 0i64..4), 0..60).prop_map(|list| {
            let start: Date = date(2020, 12, 20);
            named(
                list.into_iter().map(|(day, part)| start.at(0, 0, 0, 0).saturating_add((day * 24 + part * 6).hours())),
            )
        })
    }

    fn some_keep() -> impl Strategy<Value = Keep> {
        (0u32..40, 0u32..12, 0u32..12, 0u32..12, 0u32..5).prop_map(|(all_days, daily, weekly, monthly, yearly)| Keep {
            all_days,
            daily,
            weekly,
            monthly,
            yearly,
        })
    }

    fn now() -> DateTime {
        date(2024, 6, 1).at(12, 0, 0, 0)
    }

    /// The last backup of each of the newest periods, by another way than above.
    fn wanted<K: Ord>(backups: &[(DateTime, String)], most: u32, period: impl Fn(DateTime) -> K) -> BTreeSet<String> {
        let mut of: BTreeMap<K, (DateTime, String)> = BTreeMap::new();
        for (at, name) in backups.iter().filter(|(at, _)| *at <= now()) {
            let entry = of.entry(period(*at)).or_insert_with(|| (*at, name.clone()));
            *entry = entry.clone().max((*at, name.clone()));
        }
        of.into_values().rev().take(most as usize).map(|(_, name)| name).collect()
    }

    proptest! {
        #[test]
        fn the_newest_stays(backups in some_backups(), keep in some_keep()) {
            let gone = to_discard(&backups, now(), &keep);
            if let Some((_, newest)) = backups.iter().max() {
                prop_assert!(!gone.contains(newest));
            }
        }

        #[test]
        fn exactly_what_is_wanted_stays(backups in some_backups(), keep in some_keep()) {
            let gone = to_discard(&backups, now(), &keep);
            let stays: BTreeSet<String> = left(&backups, &gone).into_iter().map(|(_, name)| name).collect();
            let mut all = wanted(&backups, keep.daily, |at| at.date());
            all.extend(wanted(&backups, keep.weekly, |at| {
                let w = at.date().iso_week_date();
                (w.year(), w.week())
            }));
            all.extend(wanted(&backups, keep.monthly, |at| (at.year(), at.month())));
            all.extend(wanted(&backups, keep.yearly, |at| at.year()));
            let since = now().checked_sub(i64::from(keep.all_days * 24).hours()).unwrap();
            all.extend(backups.iter().filter(|(at, _)| *at >= since).map(|(_, name)| name.clone()));
            all.extend(backups.iter().max().map(|(_, name)| name.clone()));
            prop_assert_eq!(stays, all);
        }

        #[test]
        fn again_discards_nothing(backups in some_backups(), keep in some_keep()) {
            let rest = left(&backups, &to_discard(&backups, now(), &keep));
            prop_assert!(to_discard(&rest, now(), &keep).is_empty());
        }

        #[test]
        fn to_keep_more_discards_less(backups in some_backups(), a in some_keep(), b in some_keep()) {
            let more = Keep {
                all_days: a.all_days.max(b.all_days),
                daily: a.daily.max(b.daily),
                weekly: a.weekly.max(b.weekly),
                monthly: a.monthly.max(b.monthly),
                yearly: a.yearly.max(b.yearly),
            };
            let less: BTreeSet<String> = to_discard(&backups, now(), &a).into_iter().collect();
            let fewer: BTreeSet<String> = to_discard(&backups, now(), &more).into_iter().collect();
            prop_assert!(fewer.is_subset(&less));
        }

        #[test]
        fn the_order_given_does_not_matter(backups in some_backups(), keep in some_keep()) {
            let mut turned = backups.clone();
            turned.reverse();
            prop_assert_eq!(to_discard(&backups, now(), &keep), to_discard(&turned, now(), &keep));
        }
    }
}
