//! Swaps on made-up drives: the part, the cylinder, several, none, and not enough to tell.
#![allow(clippy::unwrap_used)]

mod common;
mod misfire_road;

use evidence::swap::{DECIDED, Fault, Placement, SwapDrive, SwapError, SwapVerdict, judge};
use misfire_road::{Course, Road, bursts, is_in};
use signal::Recording;

fn part(kind: &str, number: u32) -> Fault {
    Fault::Part { kind: kind.into(), number }
}

fn placed(coil: &[u32], plug: &[u32]) -> Placement {
    Placement::from([("coil".to_owned(), coil.to_vec()), ("plug".to_owned(), plug.to_vec())])
}

fn parts() -> [String; 2] {
    ["coil".to_owned(), "plug".to_owned()]
}

fn verdict(drives: &[(Recording, Placement)]) -> SwapVerdict {
    let drives: Vec<SwapDrive<'_>> =
        drives.iter().map(|(recording, placement)| SwapDrive { recording, placement }).collect();
    let verdict = judge(&drives, &parts()).unwrap();
    let sum: f64 = verdict.hypotheses.iter().map(|hypothesis| hypothesis.1).sum();
    assert!((sum - 1.0).abs() < 1e-9 && verdict.hypotheses.is_sorted_by(|a, b| a.1 >= b.1), "{verdict:?}");
    assert!(verdict.statement.ends_with('.') && !verdict.next.is_empty(), "{verdict:?}");
    verdict
}

/// Drives with faults at the given places (cylinder from 0, chance under load), one list per drive.
fn drive(seed: u64, course: Course, seconds: f64, faults: &[(usize, f64)]) -> Recording {
    let chance = |cylinder, rpm, load, _| {
        let here: f64 = faults.iter().filter(|fault| fault.0 == cylinder).map(|fault| fault.1).sum();
        if load > 60.0 && rpm > 1500.0 { here + 1e-5 } else { 1e-5 }
    };
    Road { seed, course, seconds, chance: &chance, ..Road::default() }.drive().recording
}

const FIRST: [u32; 4] = [1, 2, 3, 4];

fn start() -> Placement {
    placed(&FIRST, &FIRST)
}

/// Coil 1 to cylinder 4, plug 1 to cylinder 3.
fn exchanged() -> Placement {
    placed(&[4, 2, 3, 1], &[3, 2, 1, 4])
}

#[test]
fn the_misfire_moves_with_its_part() {
    for (seed, after, fault) in [(1, 3, part("coil", 1)), (2, 2, part("plug", 1)), (3, 0, Fault::Cylinder(1))] {
        let verdict = verdict(&[
            (drive(seed, Course::Mixed, 400.0, &[(0, 0.05)]), start()),
            (drive(seed + 50, Course::Mixed, 400.0, &[(after, 0.05)]), exchanged()),
        ]);
        assert_eq!(verdict.hypotheses[0].0, fault, "{verdict:?}");
        assert!(verdict.decided && verdict.hypotheses[0].1 > 0.99, "{verdict:?}");
        assert!(verdict.condition.load_pct.0 >= 40.0, "{:?}", verdict.condition);
    }
}

#[test]
fn the_worked_example_of_the_trade() {
    // "Coil 2 and 3 exchanged, the count moves from 2 to 3: coil; it stays: plug, injector, compression, wiring of 2."
    let first = Placement::from([("coil".to_owned(), FIRST.to_vec())]);
    let second = Placement::from([("coil".to_owned(), vec![1, 3, 2, 4])]);
    for (after, fault) in [(2, "coil 2"), (1, "cylinder 2")] {
        let before = drive(4, Course::Mixed, 300.0, &[(1, 0.1)]);
        let after = drive(5, Course::Mixed, 300.0, &[(after, 0.1)]);
        let drives =
            [SwapDrive { recording: &before, placement: &first }, SwapDrive { recording: &after, placement: &second }];
        let verdict = judge(&drives, &["coil".to_owned()]).unwrap();
        assert_eq!(verdict.hypotheses[0].0.to_string(), fault);
        assert!(verdict.decided);
    }
}

#[test]
fn clusters_are_worth_less() {
    let contact = |seed, at| {
        let bad = bursts(seed, 600.0, 4.0, 30.0);
        let chance = move |cylinder, _, _, t| if cylinder == at && is_in(&bad, t) { 0.3 } else { 1e-5 };
        Road { seed, chance: &chance, ..Road::default() }.drive().recording
    };
    let verdict = verdict(&[(contact(21, 0), start()), (contact(22, 3), exchanged())]);
    assert_eq!(verdict.hypotheses[0].0, part("coil", 1), "{verdict:?}");
    // Twenty seconds after a clustered fault say less than after an even one of the same mean rate.
    let clustered = judge_two(contact(21, 0), drive(9, Course::Mixed, 60.0, &[]));
    let even = |cylinder, _, _, _| if cylinder == 0 { 0.035 } else { 1e-5 };
    let even = Road { seed: 21, chance: &even, ..Road::default() }.drive().recording;
    let even = judge_two(even, drive(9, Course::Mixed, 60.0, &[]));
    let none = |verdict: &SwapVerdict| verdict.hypotheses.iter().find(|h| h.0 == Fault::None).unwrap().1;
    assert!(none(&even) > none(&clustered) + 0.2, "{even:?} {clustered:?}");
}

fn judge_two(before: Recording, after: Recording) -> SwapVerdict {
    verdict(&[(before, start()), (after, exchanged())])
}

#[test]
fn gone_after_the_exchange() {
    let verdict = judge_two(drive(6, Course::Mixed, 400.0, &[(0, 0.05)]), drive(7, Course::Mixed, 600.0, &[]));
    assert_eq!(verdict.hypotheses[0].0, Fault::None, "{verdict:?}");
    assert!(verdict.hypotheses[0].1 > 0.7);
    // Coil 1 out, coil 5 in: gone with the old coil more likely than by itself; the way back proves it.
    let renewed = placed(&[5, 2, 3, 4], &FIRST);
    let gone = [
        (drive(6, Course::Mixed, 400.0, &[(0, 0.05)]), start()),
        (drive(7, Course::Mixed, 600.0, &[]), renewed.clone()),
    ];
    let open = judged(&gone);
    assert_eq!(open.hypotheses[0].0, part("coil", 1), "{open:?}");
    assert!(open.decided || open.next.iter().any(|next| next.contains("put coil 1 back")), "{open:?}");
    let [a, b] = gone;
    let back = judged(&[a, b, (drive(8, Course::Mixed, 400.0, &[(0, 0.05)]), start())]);
    assert_eq!((back.hypotheses[0].0.clone(), back.decided), (part("coil", 1), true), "{back:?}");
    // New and still there: the cylinder. A nameless new part (0) works as well.
    let still = [
        (drive(6, Course::Mixed, 400.0, &[(0, 0.05)]), start()),
        (drive(7, Course::Mixed, 400.0, &[(0, 0.05)]), placed(&[0, 2, 3, 4], &[0, 2, 3, 4])),
    ];
    assert_eq!(judged(&still).hypotheses[0].0, Fault::Cylinder(1));
}

fn judged(drives: &[(Recording, Placement)]) -> SwapVerdict {
    verdict(drives)
}

#[test]
fn two_faults_are_several() {
    let verdict = judge_two(
        drive(10, Course::Mixed, 500.0, &[(0, 0.05), (1, 0.08)]),
        drive(11, Course::Mixed, 500.0, &[(3, 0.05), (1, 0.08)]),
    );
    assert_eq!(verdict.hypotheses[0].0, Fault::Several, "{verdict:?}");
    // Coil and plug of one cylinder both bad: both places misfire afterwards.
    let verdict = judge_two(
        drive(12, Course::Mixed, 500.0, &[(0, 0.05), (0, 0.05)]),
        drive(13, Course::Mixed, 500.0, &[(3, 0.05), (2, 0.05)]),
    );
    assert_eq!(verdict.hypotheses[0].0, Fault::Several, "{verdict:?}");
}

#[test]
fn not_enough_to_tell() {
    // Never reached the condition: says so, and how long there.
    let gentle = judge_two(drive(14, Course::Mixed, 400.0, &[(0, 0.05)]), drive(15, Course::Gentle, 400.0, &[]));
    assert!(!gentle.decided && gentle.statement.contains("never reached"), "{gentle:?}");
    assert!(gentle.next[0].contains("seconds") && gentle.next[0].contains("load"), "{gentle:?}");
    // Both parts went to the same cylinder: one of the two, and how to part them.
    let together = placed(&[4, 2, 3, 1], &[4, 2, 3, 1]);
    let tied = verdict(&[
        (drive(16, Course::Mixed, 400.0, &[(0, 0.05)]), start()),
        (drive(17, Course::Mixed, 400.0, &[(3, 0.05)]), together),
    ]);
    assert!(!tied.decided && (tied.hypotheses[0].1 - tied.hypotheses[1].1).abs() < 0.01, "{tied:?}");
    assert!(tied.next.iter().any(|next| next.contains("different ones")), "{tied:?}");
    // Nothing exchanged, nothing misfired, nothing recorded.
    let unmoved = verdict(&[(drive(18, Course::Mixed, 400.0, &[(2, 0.05)]), start())]);
    assert!(!unmoved.decided && unmoved.hypotheses[0].0 == Fault::Cylinder(3), "{unmoved:?}");
    assert!(unmoved.next[0].contains("cylinder 3"));
    let quiet = judge_two(drive(19, Course::Mixed, 200.0, &[]), drive(20, Course::Mixed, 200.0, &[]));
    assert!(quiet.hypotheses[0].0 == Fault::None, "{quiet:?}");
    let blind = judge_two(Recording::default(), Recording::default());
    assert!(!blind.decided && blind.next[0].contains("engine.speed"), "{blind:?}");
}

#[test]
fn following_the_advice_decides() {
    let before = drive(30, Course::Mixed, 400.0, &[(0, 0.03)]);
    let open = judge_two(before.clone(), drive(31, Course::Mixed, 15.0, &[]));
    assert!(!open.decided, "{open:?}");
    let words: Vec<&str> = open.next[0].split(' ').collect();
    let at = words.iter().position(|word| *word == "more").unwrap();
    let seconds: f64 = words[at - 1].parse().unwrap();
    // The seconds asked for, in the condition asked for, whatever is the truth.
    for (cylinder, fault) in [(3, part("coil", 1)), (2, part("plug", 1)), (0, Fault::Cylinder(1))] {
        let chance = |c, _, _, _| if c == cylinder { 0.03 } else { 1e-5 };
        let mut steady =
            Road { seed: 32, seconds: seconds + 15.0, chance: &chance, ..Road::default() }.drive().recording;
        // The made-up road wanders: hold it at the condition instead, with the misfires as they were drawn.
        for (which, value) in [(0, 2500.0), (1, 80.0)] {
            steady.series[which].value.iter_mut().for_each(|v| *v = value);
        }
        let verdict = judge_two(before.clone(), steady);
        assert_eq!((verdict.hypotheses[0].0.clone(), verdict.decided), (fault, true), "{seconds} {verdict:?}");
    }
}

/// Drives without counters say nothing: what is left are the probabilities before any drive (those of this program, common
/// practice): 5 % two faults, 2 % all cylinders, 8 % cured by the exchange, 2 % that nothing ever misfired, the rest one
/// part.
#[test]
fn drives_that_say_nothing_leave_the_prior() {
    let nothing = Recording::default;
    let drives = [(nothing(), start()), (nothing(), start()), (nothing(), exchanged())];
    let verdict = judged(&drives);
    assert!(!verdict.decided);
    let of = |wanted: &dyn Fn(&Fault) -> bool| -> Vec<f64> {
        verdict.hypotheses.iter().filter(|(fault, _)| wanted(fault)).map(|(_, p)| *p).collect()
    };
    let one = of(&|fault| !matches!(fault, Fault::Several | Fault::None));
    let sum: f64 = one.iter().sum();
    let (several, none) = (of(&|fault| *fault == Fault::Several)[0], of(&|fault| *fault == Fault::None)[0]);
    let pairs: f64 =
        (0..one.len()).flat_map(|k| one[k + 1..].iter().map(move |p| (k, p))).map(|(k, p)| one[k] * p).sum();
    assert!((none / sum - 0.10 / 0.83).abs() < 1e-9, "{none} beside {sum}");
    let expected = (2.0 * 0.05 * pairs / (sum * sum) + 0.02) / 0.83;
    assert!((several / sum - expected).abs() < 1e-9, "{several} beside {sum}");
}

/// A part that never left its cylinder belongs to it, and one that came new is seldom bad (a tenth, common practice).
#[test]
fn a_new_part_is_seldom_bad() {
    let coils = |numbers: [u32; 4]| Placement::from([("coil".to_owned(), numbers.to_vec())]);
    let (recording, first, second) = (Recording::default(), coils([1, 2, 3, 4]), coils([2, 1, 3, 9]));
    let drives = [&first, &second].map(|placement| SwapDrive { recording: &recording, placement });
    let verdict = judge(&drives, &["coil".to_owned()]).unwrap();
    let of = |fault: &Fault| verdict.hypotheses.iter().find(|(other, _)| other == fault).map(|(_, p)| *p);
    let one = of(&part("coil", 1)).unwrap();
    for (fault, shares) in [
        (part("coil", 2), Some(1.0)),
        (part("coil", 3), None),
        (part("coil", 4), Some(1.0)),
        (part("coil", 9), Some(0.1)),
        (Fault::Cylinder(1), Some(1.0)),
        (Fault::Cylinder(3), Some(2.0)),
        (Fault::Cylinder(4), Some(1.0)),
    ] {
        match (of(&fault), shares) {
            (Some(p), Some(shares)) => assert!((p / one - shares).abs() < 1e-9, "{fault}: {p} beside {one}"),
            (p, shares) => assert_eq!(p, shares, "{fault}"),
        }
    }
}

#[test]
fn only_the_failing_cylinder_was_recorded() {
    let mut drives = [drive(40, Course::Mixed, 400.0, &[(0, 0.05)]), drive(41, Course::Mixed, 400.0, &[(0, 0.05)])];
    for recording in &mut drives {
        recording.series.retain(|series| !["_2", "_3", "_4"].iter().any(|n| series.id.as_str().ends_with(n)));
    }
    let [before, after] = drives;
    let verdict = judge_two(before, after);
    assert_eq!(verdict.hypotheses[0].0, Fault::Cylinder(1), "{verdict:?}");
}

#[test]
fn placements_that_contradict_themselves() {
    let recording = Recording::default();
    let try_it = |placements: &[Placement], parts: &[&str]| {
        let drives: Vec<SwapDrive<'_>> =
            placements.iter().map(|placement| SwapDrive { recording: &recording, placement }).collect();
        let parts: Vec<String> = parts.iter().map(|part| (*part).to_owned()).collect();
        judge(&drives, &parts).unwrap_err()
    };
    assert_eq!(try_it(&[], &["coil"]), SwapError::NoDrives);
    assert_eq!(try_it(&[start()], &[]), SwapError::Kinds(0));
    assert_eq!(try_it(&[start()], &["coil"; 13]), SwapError::Kinds(13));
    assert_eq!(try_it(&[start()], &["coil", "coil"]), SwapError::Parts("coil".into()));
    assert_eq!(try_it(&[start()], &["coil", " "]), SwapError::Parts(" ".into()));
    let missing = SwapError::Missing { drive: 2, part: "plug".into() };
    let coils = Placement::from([("coil".to_owned(), FIRST.to_vec())]);
    assert_eq!(try_it(&[start(), coils], &["coil", "plug"]), missing);
    let length = SwapError::Length { drive: 2, part: "coil".into(), found: 3, cylinders: 4 };
    assert_eq!(try_it(&[start(), placed(&[1, 2, 3], &FIRST)], &["coil"]), length);
    let twice = SwapError::Twice { drive: 1, part: "coil".into(), number: 2 };
    assert_eq!(try_it(&[placed(&[2, 2, 3, 4], &FIRST)], &["coil"]), twice);
    // The plugs moved as well; where they stayed, or are told of only later, they need not be named.
    let moved = SwapError::Unnamed { drive: 2, part: "plug".into() };
    assert_eq!(try_it(&[start(), placed(&[2, 1, 3, 4], &[1, 3, 2, 4])], &["coil"]), moved);
    let coils = Placement::from([("coil".to_owned(), FIRST.to_vec())]);
    assert_eq!(try_it(&[coils.clone(), placed(&[2, 1, 3, 4], &[1, 3, 2, 4])], &["coil"]), moved);
    for first in [start(), coils] {
        let later = placed(&[2, 1, 3, 4], &FIRST);
        let drives = [&first, &later].map(|placement| SwapDrive { recording: &recording, placement });
        assert!(judge(&drives, &["coil".to_owned()]).is_ok());
    }
    let many: Vec<u32> = (1..=13).collect();
    for numbers in [&many[..], &[]] {
        let cylinders = SwapError::Cylinders { part: "coil".into(), found: numbers.len() };
        assert_eq!(try_it(&[placed(numbers, numbers)], &["coil"]), cylinders);
    }
    let length = SwapError::Length { drive: 1, part: "plug".into(), found: 0, cylinders: 4 };
    assert_eq!(try_it(&[placed(&FIRST, &[])], &["coil", "plug"]), length);
    // At the edges it works.
    let many: Vec<u32> = (1..=12).collect();
    for numbers in [&many[..], &many[..1]] {
        let placement = placed(numbers, numbers);
        let drives = [SwapDrive { recording: &recording, placement: &placement }];
        assert!(judge(&drives, &parts()).is_ok());
    }
    assert!(matches!(try_it(&vec![start(); 65], &["coil"]), SwapError::Drives(65)));
    assert!((0.0..1.0).contains(&DECIDED));
}

#[test]
fn parts_count_from_one_and_are_not_called_as_a_verdict() {
    let recording = Recording::default();
    let try_it = |kind: &str, rows: [&[u32]; 2]| {
        let placements = rows.map(|row| Placement::from([(kind.to_owned(), row.to_vec())]));
        let drives = placements.each_ref().map(|placement| SwapDrive { recording: &recording, placement });
        judge(&drives, &[kind.to_owned()]).err()
    };
    let zero = try_it("coil", [&[0, 1, 2, 3], &[3, 1, 2, 0]]);
    assert_eq!(zero, Some(SwapError::Zero { part: "coil".into() }));
    assert!(zero.unwrap().to_string().contains("numbers count from 1"));
    assert_eq!(try_it("coil", [&FIRST, &[0, 2, 3, 0]]), None, "new parts without a number");
    for kind in ["cylinder", "several", "none", " Cylinder ", "cylinder head"] {
        assert_eq!(try_it(kind, [&FIRST, &[4, 2, 3, 1]]), Some(SwapError::Name(kind.into())));
    }
    assert_eq!(try_it("spark plug", [&FIRST, &[4, 2, 3, 1]]), None);
}
