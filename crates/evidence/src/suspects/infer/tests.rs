//! Bayes' rule over a model of three suspects, worked by hand: 35, 11.67, 23.33, 10 and 20 % before any evidence.

use super::super::model::tests::of_two;
use super::super::{Answer, Code, CodeState, Seen, weigh_with};
use super::*;
use crate::swap::Placement;

const IDS: [&str; 5] = ["coil", "plug", "wire", UNLISTED, NO_FAULT];

fn code(code: &str, state: CodeState) -> Code {
    Code { code: code.into(), module: "7E8".into(), state, placement: Placement::new() }
}

fn finding(subject: &str, log10_odds: f64) -> Seen {
    Seen {
        drive: "a".into(),
        kind: "misfire".into(),
        subject: vec![subject.into()],
        log10_odds,
        figures: [].into(),
        placement: Placement::new(),
    }
}

fn answer(test: &str, is_yes: bool) -> Answer {
    Answer { area: "misfire.1".into(), test: test.into(), is_yes }
}

fn areas(evidence: &Evidence) -> Vec<Area> {
    weigh_with(&[of_two()], evidence).areas
}

fn area(evidence: &Evidence) -> Area {
    areas(evidence).into_iter().find(|area| area.id == "misfire.1").unwrap()
}

fn probabilities(area: &Area) -> [f64; 5] {
    IDS.map(|id| area.suspects.iter().find(|suspect| suspect.id == id).unwrap().probability)
}

fn assert_near(area: &Area, weights: [f64; 5]) {
    let total: f64 = weights.iter().sum();
    for ((id, got), weight) in IDS.iter().zip(probabilities(area)).zip(weights) {
        assert!((got - weight / total).abs() < 1e-9, "{id}: {got} for {}", weight / total);
    }
}

const PRIORS: [f64; 5] = [0.35, 0.7 / 6.0, 0.7 / 3.0, 0.1, 0.2];

/// Priors times these likelihoods.
fn times(likelihoods: [f64; 5]) -> [f64; 5] {
    let mut products = PRIORS;
    products.iter_mut().zip(likelihoods).for_each(|(p, likelihood)| *p *= likelihood);
    products
}

#[test]
fn a_test_by_hand_multiplies_by_its_probability() {
    let of = |is_yes| area(&Evidence { answers: vec![answer("spark", is_yes)], ..Evidence::default() });
    assert_near(&of(true), times([0.9, 0.1, 0.1, 0.1, 0.05]));
    assert_near(&of(false), times([0.1, 0.9, 0.9, 0.9, 0.95]));
    // 0.315 of 0.37.
    assert!((probabilities(&of(true))[0] - 0.851_351).abs() < 1e-6);
    let coil = &of(true).suspects[0];
    assert!((coil.prior - 0.35).abs() < 1e-12 && coil.minutes == 30.0 && coil.money == 80.0);
    // The odds of the coil went from 35 : 65 to 0.315 : 0.055.
    assert!((coil.speaks_for[0].factor - 0.315 / 0.055 / (0.35 / 0.65)).abs() < 1e-6);
    let efforts = |id: &str| of(true).suspects.iter().find(|s| s.id == id).map(|s| (s.minutes, s.money)).unwrap();
    assert_eq!((efforts(UNLISTED), efforts(NO_FAULT), efforts("wire")), ((130.0, 0.0), (60.0, 0.0), (60.0, 5.0)));
    // What was tested is not asked again.
    assert!(of(true).tests.iter().chain(&of(true).next).all(|test| test.id != "spark"));
}

/// A code or finding with odds r for what is asked counts r p + (1 - p); r is 100 at most.
#[test]
fn what_is_not_certain_counts_by_its_odds() {
    let soft = |r: f64| times([0.8, 0.8, 0.8, 0.5, 0.02].map(|p| r * p + 1.0 - p));
    for (state, r) in [(CodeState::Confirmed, 100.0), (CodeState::Pending, 10.0), (CodeState::Earlier, 10.0)] {
        let evidence = Evidence { codes: Some(vec![code("P0301", state)]), ..Evidence::default() };
        assert_near(&area(&evidence), soft(r));
    }
    for (log10_odds, r) in [(6.0, 100.0), (2.0, 100.0)] {
        let found =
            area(&Evidence { findings: vec![finding("misfire.cylinder_1", log10_odds)], ..Evidence::default() });
        assert_near(&found, soft(r));
        assert_eq!(found.opened_by, ["finding misfire in a"]);
    }
    // A drive without it speaks against it, as far as it was ever seen; one that shows it outweighs all that do not.
    let of = |odds: &[f64]| {
        let findings = odds.iter().map(|odds| finding("misfire.cylinder_1", *odds)).collect();
        area(&Evidence { findings, answers: vec![answer("spark", true)], ..Evidence::default() })
    };
    let both = |r: f64| {
        let mut both = soft(r);
        both.iter_mut().zip([0.9, 0.1, 0.1, 0.1, 0.05]).for_each(|(p, spark)| *p *= spark);
        both
    };
    assert_near(&of(&[-3.0]), both(0.01));
    assert_near(&of(&[-3.0, 0.5]), both(10f64.sqrt()));
    assert_near(&of(&[-0.5, -3.0]), both(0.01));
    assert!(of(&[0.5]).steps[0].seen.starts_with("rather: cylinder 1 misfires"));
    assert!(of(&[1.0]).steps[0].seen.starts_with("cylinder 1 misfires"));
    // A code that is not there speaks against what would have set it: the least of both counts.
    let read = Evidence { codes: Some(vec![]), answers: vec![answer("spark", true)], ..Evidence::default() };
    assert_near(&area(&read), both(0.01));
}

#[test]
fn which_cylinder_is_opened() {
    let open = |evidence: &Evidence| areas(evidence).into_iter().map(|area| area.id).collect::<Vec<_>>();
    let of_codes = |codes: &[&str]| Evidence {
        codes: Some(codes.iter().map(|it| code(it, CodeState::Confirmed)).collect()),
        ..Evidence::default()
    };
    assert_eq!(open(&of_codes(&["P0302"])), ["misfire.2"]);
    assert_eq!(open(&of_codes(&["P0301", "P0302"])).len(), 2);
    assert!(open(&of_codes(&["P0351"])).is_empty() && open(&Evidence::default()).is_empty());
    let seen = |odds: f64| Evidence { findings: vec![finding("misfire.cylinder_2", odds)], ..Evidence::default() };
    assert_eq!((open(&seen(2.0)), open(&seen(1.9))), (vec!["misfire.2".to_owned()], vec![]));
    let swap = |p: f64| Evidence {
        swap: vec![
            ("coil 2".into(), p / 2.0),
            ("cylinder 2".into(), p / 2.0),
            ("coil 1".into(), 0.0),
            ("cylinder 1".into(), 0.0),
            ("none".into(), 1.0 - p),
        ],
        ..Evidence::default()
    };
    assert_eq!((open(&swap(0.2)), open(&swap(0.19))), (vec!["misfire.2".to_owned()], vec![]));
    // Nobody knows which: the complaint opens one area for the one that is to be found.
    let said = Evidence { complaint: "It misfires.".into(), ..Evidence::default() };
    let nameless = &areas(&said)[0];
    assert_eq!(
        (nameless.id.as_str(), nameless.title.as_str(), nameless.is_complaint_only),
        ("misfire", "Misfire on a cylinder", true)
    );
    assert!(nameless.repair_first.is_none() && nameless.statement.contains("First find out which it is: record it"));
    assert!(nameless.next.is_none() && nameless.tests.is_empty(), "tests need the cylinder");
    // A fault in one of two cylinders, and two healthy drives of the other: the surest fault first.
    let mut both = of_codes(&["P0302"]);
    both.answers = vec![answer("spark", false)];
    assert_eq!(open(&both), ["misfire.2", "misfire.1"]);
    let unused = weigh_with(&[of_two()], &of_codes(&["P0301", "P0351", "P0420"])).unused;
    assert_eq!(unused, ["code P0420 in 7E8: no area of the model uses it"]);
}

/// What a swap may say: a coil that a misfire moved with.
const SWAP: [(&str, f64); 6] =
    [("coil 1", 0.7), ("cylinder 1", 0.1), ("coil 2", 0.05), ("cylinder 2", 0.05), ("several", 0.05), ("none", 0.05)];

/// The probabilities of a swap over what it began with: 83 % for four places, 7 % for several, 10 % for none.
#[test]
fn a_swap_counts_by_what_it_learnt() {
    let of = |rows: &[(&str, f64)]| {
        let swap = rows.iter().map(|(fault, p)| ((*fault).to_owned(), *p)).collect();
        area(&Evidence { swap, answers: vec![answer("spark", true)], ..Evidence::default() })
    };
    let place = |p: f64| p * 4.0 / 0.83;
    // A cure by the exchange is likely for a contact, and seldom for another part: a tenth.
    let expected = [place(0.7) + 0.05, place(0.1) + 0.05, place(0.1) + 0.5, 0.05 / 0.07, 0.5];
    let mut weights = times([0.9, 0.1, 0.1, 0.1, 0.05]);
    weights.iter_mut().zip(expected).for_each(|(p, likelihood)| *p *= likelihood);
    assert_near(&of(&SWAP), weights);
    let step = &of(&SWAP).steps[1];
    assert_eq!((step.evidence.as_str(), step.seen.as_str()), ("swap", "the fault moves with coil 1 (70 %)"));
    // The same part by another of its names.
    let spanish = SWAP.map(|(fault, p)| (if fault == "coil 1" { "bobina 1" } else { fault }, p));
    assert_near(&of(&spanish), weights);
    // Nothing that was exchanged is in this model: it says nothing here.
    let other = SWAP.map(|(fault, p)| (if fault == "coil 1" { "injector 1" } else { fault }, p));
    assert_near(&of(&other), times([0.9, 0.1, 0.1, 0.1, 0.05]));
    // No verdict is worth more than 100 to 1.
    let sure = of(&[
        ("coil 1", 1.0),
        ("cylinder 1", 0.0),
        ("coil 2", 0.0),
        ("cylinder 2", 0.0),
        ("several", 0.0),
        ("none", 0.0),
    ]);
    let mut weights = times([0.9, 0.1, 0.1, 0.1, 0.05]);
    weights.iter_mut().skip(1).for_each(|p| *p *= 0.01);
    assert_near(&sure, weights);
}

/// A repair of the part at fault helps in 95 of 100, another in 8 of 100.
#[test]
fn a_repair_tells_too() {
    let of = |helped| {
        let repair = Repair { area: "misfire.1".into(), suspect: "coil".into(), helped };
        area(&Evidence { repairs: vec![repair], ..Evidence::default() })
    };
    assert_near(&of(true), times([0.95, 0.08, 0.08, 0.08, 0.08]));
    assert_near(&of(false), times([0.05, 0.92, 0.92, 0.92, 0.92]));
    assert_eq!(of(false).steps[0].seen, "repaired: coil of cylinder 1; the fault is still there");
}

/// 94.7 % after two tests decide for the coil; the same for something that is not listed decides nothing.
#[test]
fn what_is_decided() {
    let of = |answers: &[(&str, bool)]| {
        let answers = answers.iter().map(|(test, is_yes)| answer(test, *is_yes)).collect();
        area(&Evidence { answers, ..Evidence::default() })
    };
    let open = of(&[("spark", true)]);
    assert!(
        !open.decided
            && open.next.is_some()
            && open.statement.starts_with("Open: most probable is coil of cylinder 1 (85 %)")
    );
    let coil = of(&[("spark", true), ("swap-coil", true)]);
    assert!(
        coil.decided
            && probabilities(&coil)[0] > 0.99
            && coil.statement.starts_with("Decided: coil of cylinder 1 (over 99 %)")
    );
    // The last answer to a test counts.
    assert_near(&of(&[("spark", true), ("spark", false)]), times([0.1, 0.9, 0.9, 0.9, 0.95]));
    let next = open.next.unwrap();
    assert_eq!(
        (next.id.as_str(), next.ask.as_str(), next.minutes, next.money),
        ("swap-coil", "Exchange the coil of cylinder 1.", 12.0, 1.0)
    );
    // It moves with the coil in 0.8514 * 0.95 + 0.1486 * 0.03 of the cases; then it is the coil by 0.8088 of 0.8133.
    let (p_yes, p) = (0.851_351 * 0.95 + 0.148_649 * 0.03, 0.851_351 * 0.95);
    assert!(
        (next.outcomes[0].probability - p_yes).abs() < 1e-5
            && (next.outcomes[1].probability - 1.0 + p_yes).abs() < 1e-5
    );
    assert!((next.outcomes[0].then_probability - p / p_yes).abs() < 1e-5 && next.outcomes[0].decides);
    assert!(next.outcomes[0].then == "coil of cylinder 1" && !next.outcomes[1].decides);
    // Nothing of the list is left after repairs that did not help: something else decides nothing.
    let repairs = ["coil", "plug", "wire"].map(|suspect| Repair {
        area: "misfire.1".into(),
        suspect: suspect.into(),
        helped: false,
    });
    let findings = vec![finding("misfire.cylinder_1", 4.0)];
    let answers = vec![answer("spark", true)];
    let evidence = Evidence {
        answers,
        repairs: [repairs.clone(), repairs.clone(), repairs].concat(),
        findings,
        ..Evidence::default()
    };
    let gone = area(&evidence);
    assert!(
        gone.suspects[0].id == UNLISTED && gone.suspects[0].probability > DECIDED && !gone.decided,
        "{:?}",
        gone.suspects
    );
}

/// At 100 an hour: a coil takes 20 minutes, 10 to check and 60 of a comeback if it was another, and 80 of money; what is not
/// listed 120 and 10, no fault 60 minutes. Looking for the spark takes 6 minutes, exchanging 12 and 1 of money.
#[test]
fn what_a_test_saves() {
    let area = area(&Evidence { findings: vec![finding("misfire.cylinder_1", 3.0)], ..Evidence::default() });
    let problem = Problem {
        probabilities: probabilities(&area).to_vec(),
        costs: vec![150.0 + 80.0, 500.0 / 3.0 + 10.0, 200.0 + 5.0, 650.0 / 3.0, 100.0],
        tests: vec![
            Test { cost: 10.0, yes: vec![0.9, 0.1, 0.1, 0.1, 0.05] },
            Test { cost: 21.0, yes: vec![0.95, 0.03, 0.03, 0.03, 0.03] },
        ],
    };
    for (idx, id) in ["spark", "swap-coil"].into_iter().enumerate() {
        let test = area.tests.iter().chain(&area.next).find(|test| test.id == id).unwrap();
        assert!((test.saves - problem.saving(idx)).abs() < 1e-6, "{id}: {} for {}", test.saves, problem.saving(idx));
    }
}

/// What was tested or repaired by hand counts beside a code elsewhere, also where only the complaint led there.
#[test]
fn work_by_hand_is_more_than_a_complaint() {
    let of = |answers: Vec<Answer>, repairs: Vec<Repair>| {
        area(&Evidence { complaint: "It misfires.".into(), answers, repairs, ..Evidence::default() }).is_complaint_only
    };
    let repair = Repair { area: "misfire.1".into(), suspect: "plug".into(), helped: false };
    assert!(!of(vec![answer("spark", true)], vec![]) && !of(vec![], vec![repair]));
    let whole = Model { members: vec![], how_to_name: None, ..of_two() };
    let at = |area: &str| {
        let answers = vec![Answer { area: area.into(), ..answer("spark", true) }];
        let evidence = Evidence { complaint: "It misfires.".into(), answers, ..Evidence::default() };
        weigh_with(std::slice::from_ref(&whole), &evidence).areas.remove(0)
    };
    assert!(!at("misfire").is_complaint_only && at("another").is_complaint_only);
    assert!(at("misfire").statement.starts_with("Open: most probable is"), "{}", at("misfire").statement);
    assert!(at("another").statement.starts_with("Only the complaint points here; by experience most probable is"));
}

/// A part that stands elsewhere is told with its place; its exchange is not asked for again once the swap was judged.
#[test]
fn parts_that_moved_are_told_where_they_stand() {
    let placed = |coil: &[u32], swap: &[(&str, f64)]| {
        let swap = swap.iter().map(|(fault, p)| ((*fault).to_owned(), *p)).collect();
        let placement = Placement::from([("coil".to_owned(), coil.to_vec())]);
        area(&Evidence { placement, swap, answers: vec![answer("spark", true)], ..Evidence::default() })
    };
    let asked = |area: &Area| area.tests.iter().chain(&area.next).map(|test| test.id.clone()).collect::<Vec<_>>();
    let moved = placed(&[2, 1], &[]);
    assert_eq!(
        (moved.suspects[0].name.as_str(), moved.suspects[0].now_on.as_deref()),
        ("coil of cylinder 1, now on cylinder 2", Some("cylinder 2"))
    );
    assert_eq!((asked(&moved), moved.suspects[0].is_out), (vec!["swap-coil".to_owned()], false));
    assert_eq!(moved.next.unwrap().ask, "Exchange the coil of cylinder 1. (coil of cylinder 1 is on cylinder 2 now)");
    assert!(asked(&placed(&[2, 1], &SWAP)).is_empty() && asked(&placed(&[1, 2], &SWAP)) == ["swap-coil"]);
    let out = placed(&[7, 2], &[]);
    assert!(
        out.suspects[0].is_out
            && out.suspects[0].name.ends_with("which is out of the car")
            && out.suspects[0].now_on.is_none()
    );
    assert!(out.repair_first.is_none(), "it is out already");
}
