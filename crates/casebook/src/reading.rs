//! What a ledger says once its corrections are applied, and where the parts sit.

use std::collections::HashMap;

use wire::{Content, Entry, Placement};

/// Fewest cylinders that are assumed where nothing tells more.
const FEWEST_CYLINDERS: u32 = 4;
/// 2020-01-01 UTC, ms: a recorder whose clock says less has none that runs.
const FIRST_CLOCK_MS: i64 = 1_577_836_800_000;
/// Within this time of its end a drive that was recorded here is in the ledger, ms: it is read once more and its checksum
/// taken, which takes some seconds for an hour of it.
const ENTERED_WITHIN_MS: f64 = 120_000.0;
/// Most cylinders; the contract of signal names ends there.
const MOST_CYLINDERS: u32 = 12;

/// The entries with what they say now, in the order in which it was done: corrected entries as corrected, withdrawn ones and
/// the corrections themselves left out, and what was written down later than it was done ([`Content::Earlier`]), or driven
/// before it was brought in, in its place. A later correction of the same entry wins; a withdrawn correction corrects nothing.
#[must_use]
pub fn effective<'a>(entries: &'a [Entry]) -> Vec<(&'a Entry, &'a Content)> {
    let as_done = |(_, entry, content): (_, _, &'a Content)| match content {
        Content::Earlier { content, .. } => (entry, &**content),
        _ => (entry, content),
    };
    in_order(entries).into_iter().map(as_done).collect()
}

/// A time right before what an entry says was done, ms since 1970-01-01 UTC: what is written down as done then
/// ([`Content::Earlier`]) stands between that entry and the one before. `None` where the entry does not hold.
#[must_use]
pub fn just_before_unix_ms(entries: &[Entry], number: u64) -> Option<i64> {
    in_order(entries)
        .into_iter()
        .find(|(_, entry, _)| entry.number == number)
        .map(|(done_unix_ms, ..)| done_unix_ms.saturating_sub(1))
}

/// The entries that hold, each with when it was done and what it says now, in the order in which it was done.
///
/// Clocks are set back, and two benches have two: an entry with a time before that of its forerunner was written after it
/// all the same.
fn in_order(entries: &[Entry]) -> Vec<(i64, &Entry, &Content)> {
    let corrections = corrections(entries);
    let mut kept = Vec::new();
    let mut written_unix_ms = i64::MIN;
    for entry in entries {
        let is_set_back = entry.time_unix_ms < written_unix_ms;
        written_unix_ms = if is_set_back { written_unix_ms.saturating_add(1) } else { entry.time_unix_ms };
        let corrected = corrections.get(&entry.number);
        let now = corrected.map_or(Some(&entry.content), |(_, content)| *content);
        if let Some(content) = now.filter(|content| !matches!(content, Content::Correction { .. })) {
            let earlier = earlier_unix_ms(entry, content, corrected.is_some());
            kept.push((earlier.unwrap_or(written_unix_ms), entry, content));
        }
    }
    // Stable: what was done at the same moment stays in the order in which it was written.
    kept.sort_by_key(|(done_unix_ms, ..)| *done_unix_ms);
    kept
}

/// The entries that no longer hold as they stand: by their numbers, the number of the correction that counts, and what they
/// say now; `None` where they are withdrawn. A withdrawn correction corrects nothing.
#[must_use]
pub fn corrections(entries: &[Entry]) -> HashMap<u64, (u64, Option<&Content>)> {
    let mut found: HashMap<u64, (u64, Option<&Content>)> = HashMap::new();
    // From the end, because only later entries say whether an entry still holds.
    for entry in entries.iter().rev() {
        let now = found.get(&entry.number).map_or(Some(&entry.content), |(_, content)| *content);
        if let Some(Content::Correction { of, content, .. }) = now {
            found.entry(*of).or_insert((entry.number, content.as_deref()));
        }
    }
    found
}

/// When something was done that was done earlier than it was written down, ms since 1970-01-01 UTC. When a drive was driven
/// its recorder tells, or somebody who corrected that.
fn earlier_unix_ms(entry: &Entry, content: &Content, is_corrected: bool) -> Option<i64> {
    match content {
        Content::Earlier { done_unix_ms, .. } => Some(*done_unix_ms),
        Content::Drive { summary, .. } => {
            let start = summary.start_unix_ms.filter(|start| *start >= FIRST_CLOCK_MS)?;
            let ended_ms = start as f64 + summary.duration_s * 1000.0;
            // Written down when it ended, it stands where it is: no part was moved while it was driven.
            let is_just_over = (entry.time_unix_ms as f64 - ended_ms).abs() <= ENTERED_WITHIN_MS;
            (is_corrected || (start < entry.time_unix_ms && !is_just_over)).then_some(start)
        }
        _ => None,
    }
}

/// How many cylinders the engine of a case has, as far as its ledger tells: the highest that was counted, swapped or
/// replaced.
#[must_use]
pub fn n_cylinders(contents: &[(&Entry, &Content)]) -> u32 {
    let counted = |summary: &wire::DriveSummary| {
        let number = |id: &str| id.strip_prefix("misfire.cylinder_")?.parse::<u32>().ok();
        summary.signals.iter().filter_map(|signal| number(&signal.id)).max()
    };
    let highest = contents.iter().filter_map(|(_, content)| match content {
        Content::Drive { summary, .. } => counted(summary),
        Content::Swap { from, to, .. } => Some(*from.max(to)),
        Content::Replaced { at, .. } => *at,
        _ => None,
    });
    highest.max().unwrap_or(0).clamp(FEWEST_CYLINDERS, MOST_CYLINDERS)
}

/// Where the parts sit before each entry, for the kinds that were ever swapped or replaced, and at the end.
///
/// Gives one placement more than there are contents: the `k`-th holds when the `k`-th content was written, the last one
/// now.
#[must_use]
pub fn placements(contents: &[(&Entry, &Content)]) -> Vec<Placement> {
    let n = n_cylinders(contents);
    let mut now = Placement::new();
    for (_, content) in contents {
        if let Content::Swap { part, .. } | Content::Replaced { part, at: Some(_), .. } = content {
            now.entry(part.clone()).or_insert_with(|| (1..=n).collect());
        }
    }
    let mut newest: HashMap<String, u32> = HashMap::new();
    let mut all = vec![now.clone()];
    for (_, content) in contents {
        match content {
            Content::Swap { part, from, to } => {
                let slot = |cylinder: u32| (cylinder as usize).wrapping_sub(1);
                if let Some(row) = now.get_mut(part)
                    && slot(*from) < row.len()
                    && slot(*to) < row.len()
                {
                    row.swap(slot(*from), slot(*to));
                }
            }
            Content::Replaced { part, at: Some(at), .. } => {
                if let Some(place) = now.get_mut(part).and_then(|row| row.get_mut((*at as usize).wrapping_sub(1))) {
                    let number = newest.entry(part.clone()).or_insert(n);
                    *number += 1;
                    *place = *number;
                }
            }
            _ => {}
        }
        all.push(now.clone());
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entries(contents: Vec<Content>) -> Vec<Entry> {
        (1..).zip(contents).map(|(number, content)| Entry { number, content, ..Entry::default() }).collect()
    }

    fn swap(part: &str, from: u32, to: u32) -> Content {
        Content::Swap { part: part.into(), from, to }
    }

    fn correct(of: u64, content: Option<Content>) -> Content {
        Content::Correction { of, reason: String::new(), content: content.map(Box::new) }
    }

    fn now(contents: Vec<Content>) -> Placement {
        placements(&effective(&entries(contents))).pop().unwrap_or_default()
    }

    #[test]
    fn parts_change_places_and_new_ones_get_new_numbers() {
        let replaced = Content::Replaced { part: "coil".into(), at: Some(4), text: String::new() };
        let placement = now(vec![swap("coil", 1, 4), swap("plug", 1, 3), replaced.clone(), replaced]);
        assert_eq!(placement["coil"], [4, 2, 3, 6]);
        assert_eq!(placement["plug"], [3, 2, 1, 4]);
    }

    #[test]
    fn what_was_written_late_stands_where_it_was_done() {
        let at =
            |number: u64, content| Entry { number, time_unix_ms: 100 * number as i64, content, ..Entry::default() };
        let late = Content::Earlier { done_unix_ms: 150, content: Box::new(swap("coil", 1, 4)) };
        let ledger = [at(1, Content::default()), at(2, swap("plug", 1, 2)), at(3, late)];
        let order: Vec<u64> = effective(&ledger).iter().map(|(entry, _)| entry.number).collect();
        assert_eq!(order, [1, 3, 2]);
        let contents = effective(&ledger);
        assert_eq!(placements(&contents)[2]["coil"], [4, 2, 3, 1], "before the plugs changed places");
    }

    #[test]
    fn a_drive_that_is_brought_in_later_stands_where_it_was_driven() {
        let day = |n: i64| FIRST_CLOCK_MS + n * 86_400_000;
        let drive = |start_unix_ms| Content::Drive {
            file: wire::FileRef::default(),
            summary: wire::DriveSummary { start_unix_ms, ..wire::DriveSummary::default() },
            problems: Vec::new(),
        };
        let order = |start_unix_ms| -> Vec<u64> {
            let contents = [Content::default(), swap("coil", 1, 4), drive(start_unix_ms)];
            let ledger: Vec<Entry> = (1..)
                .zip(contents)
                .map(|(number, content)| Entry {
                    number,
                    time_unix_ms: day(10 * number as i64),
                    content,
                    ..Entry::default()
                })
                .collect();
            effective(&ledger).iter().map(|(entry, _)| entry.number).collect()
        };
        assert_eq!(order(Some(day(15))), [1, 3, 2], "before the coils changed places");
        assert_eq!(order(Some(day(25))), [1, 2, 3]);
        assert_eq!(order(Some(day(35))), [1, 2, 3], "nobody brings in tomorrow's drive");
        assert_eq!((order(None), order(Some(7_200_000))), (vec![1, 2, 3], vec![1, 2, 3]), "a clock that stood still");
    }

    /// A clock may be set back at any time (POSIX.1-2017, `clock_settime`), and benches that share a casebook have their own.
    #[test]
    fn a_clock_that_is_set_back_moves_nothing() {
        const MINUTE: i64 = 60_000;
        let noon = FIRST_CLOCK_MS + 12 * 60 * MINUTE;
        let drive = |start_unix_ms, duration_s| Content::Drive {
            file: wire::FileRef::default(),
            summary: wire::DriveSummary {
                start_unix_ms: Some(start_unix_ms),
                duration_s,
                ..wire::DriveSummary::default()
            },
            problems: Vec::new(),
        };
        let ledger = |contents: Vec<(i64, Content)>| -> Vec<Entry> {
            let entry = |(number, (time_unix_ms, content))| Entry { number, time_unix_ms, content, ..Entry::default() };
            (1..).zip(contents).map(entry).collect()
        };
        let order =
            |entries: &[Entry]| -> Vec<u64> { effective(entries).iter().map(|(entry, _)| entry.number).collect() };
        // An hour back after the swap, then a drive of ten minutes that is in the ledger two seconds later.
        let mut entries = ledger(vec![
            (noon, Content::default()),
            (noon + MINUTE, swap("coil", 1, 4)),
            (noon - 40 * MINUTE, drive(noon - 50 * MINUTE - 2000, 600.0)),
        ]);
        assert_eq!(order(&entries), [1, 2, 3], "driven after the swap");
        // What was forgotten is put before any of them.
        for (before, expected) in [(3, [1, 2, 4, 3]), (2, [1, 4, 2, 3])] {
            let done_unix_ms = just_before_unix_ms(&entries, before).unwrap();
            let content = Content::Earlier { done_unix_ms, content: Box::new(swap("plug", 1, 2)) };
            entries.push(Entry { number: 4, time_unix_ms: noon - 30 * MINUTE, content, ..Entry::default() });
            assert_eq!(order(&entries), expected);
            entries.pop();
        }
        // Times of a case from elsewhere are anybody's.
        let wild = ledger([i64::MAX, i64::MAX, i64::MIN, 0].map(|ms| (ms, Content::default())).to_vec());
        assert_eq!(order(&wild), [1, 2, 3, 4]);
        // Somebody who says so knows better.
        let content = drive(just_before_unix_ms(&entries, 2).unwrap(), 600.0);
        entries.push(Entry { number: 4, time_unix_ms: noon, content: correct(3, Some(content)), ..Entry::default() });
        assert_eq!(order(&entries), [1, 3, 2]);
        // The clock of the bench that notes the swap is five minutes ahead of that of the bench that drives.
        let entries = ledger(vec![
            (noon, Content::default()),
            (noon + 5 * MINUTE, swap("coil", 1, 4)),
            (noon + 11 * MINUTE, drive(noon + MINUTE, 598.0)),
        ]);
        assert_eq!(order(&entries), [1, 2, 3]);
    }

    #[test]
    fn corrections_replace_withdraw_and_are_withdrawn() {
        let row = |contents| now(contents).remove("coil").unwrap_or_default();
        assert_eq!(row(vec![swap("coil", 1, 4), correct(1, Some(swap("coil", 1, 2)))]), [2, 1, 3, 4]);
        assert_eq!(row(vec![swap("coil", 1, 4), correct(1, None)]), [] as [u32; 0]);
        assert_eq!(row(vec![swap("coil", 1, 4), correct(1, None), correct(2, None)]), [4, 2, 3, 1]);
        let twice =
            vec![swap("coil", 1, 4), correct(1, Some(swap("coil", 1, 2))), correct(1, Some(swap("coil", 1, 3)))];
        assert_eq!(row(twice), [3, 2, 1, 4], "the later one wins");
    }
}
