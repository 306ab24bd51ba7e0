//! What is done with a car in a trial, from its begin to the judgement of what came of it.

use std::path::Path;

use signal::SignalId;
use workshop::{Car, ClearWish, CommandWish, Control, Hand, How, Scope, Workshop};

use crate::fault::S;
use crate::scene::{Plan, Scene};
use crate::trial::{Outcome, seconds};
use crate::watcher::Watcher;
use crate::{drive_oracle, machine, survey_oracle};

/// Longest times on the link's clock, seconds: what an operation promises, and what faults may add to it.
const LONGEST_SURVEY_S: f64 = 1200.0;
/// A drive and a command end when their time is over, and at most one exchange later ([`link::LONGEST_EXCHANGE_NS`]); before
/// it lie the plan, the tries of what is faster, and the trial.
const LONGEST_BESIDE_S: f64 = 400.0;

/// An operation under way; `folder` is its own.
pub(crate) struct Job<'a> {
    pub(crate) workshop: &'a Workshop,
    pub(crate) car: &'a mut Car,
    pub(crate) scene: &'a mut Scene,
    pub(crate) plan: &'a mut Plan,
    pub(crate) folder: &'a Path,
    pub(crate) outcome: &'a mut Outcome,
}

fn ids(names: &[&str]) -> Vec<SignalId> {
    names.iter().filter_map(|name| SignalId::new(name).ok()).collect()
}

/// How long a module keeps a session of which nobody speaks any more, seconds, and a little (S3 of ISO 14229-2 is 5 s).
const SESSION_S: f64 = 6.0;

impl Job<'_> {
    pub(crate) fn drive(&mut self) {
        let Self { workshop, car, scene, plan, folder, outcome } = self;
        let out = folder.join("drive.mcap");
        let wish = workshop::Wish {
            seconds: Some(plan.seconds),
            out: Some(out.clone()),
            ..workshop::Wish::of(ids(&plan.signals))
        };
        let mut watcher = Watcher::new(scene.truth.clone(), plan);
        watcher.length_s = Some(plan.seconds);
        let began_ns = scene.truth.now();
        let recorded = workshop.record(car, &wish, &Control::default(), &mut watcher);
        machine::mend();
        outcome.check_time("the drive", seconds(scene.truth.now() - began_ns), plan.seconds + LONGEST_BESIDE_S);
        let ran_s = seconds(scene.truth.now() - watcher.start_ns);
        if watcher.start_ns > 0 && ran_s > plan.seconds + seconds(link::LONGEST_EXCHANGE_NS) + 2.0 {
            outcome.broken.push(format!("a drive of {} s went on for {ran_s:.1} s", plan.seconds));
        }
        let recorded = match recorded {
            Ok(recorded) => Some(recorded),
            Err(error) => {
                outcome.told = Some(error.to_string());
                None
            }
        };
        if let Some(problem) = recorded.as_ref().and_then(|recorded| recorded.problems.first()) {
            outcome.told = Some(problem.clone());
        }
        if watcher.start_ns > 0 || out.exists() {
            drive_oracle::check(&out, recorded.as_ref(), &watcher, scene, outcome);
        }
    }

    pub(crate) fn survey(&mut self) -> Option<wire::Survey> {
        let Self { workshop, car, scene, plan, folder, outcome } = self;
        let out = folder.join("survey.json");
        let mut watcher = Watcher::new(scene.truth.clone(), plan);
        let began_ns = scene.truth.now();
        let survey = workshop.survey(car, Scope::Everything, Some(&out), &mut watcher);
        outcome.check_time("the survey", seconds(scene.truth.now() - began_ns), LONGEST_SURVEY_S);
        match survey {
            Ok(survey) => {
                if let Some(problem) = survey.problems.first() {
                    outcome.told = Some(problem.clone());
                }
                survey_oracle::check(&out, &survey, scene, outcome);
                Some(survey)
            }
            Err(error) => {
                if out.exists() {
                    outcome.broken.push(format!("the survey failed ({error}) and left a file"));
                }
                outcome.told = Some(error.to_string());
                None
            }
        }
    }

    pub(crate) fn clear(&mut self) {
        let is_clearing = |request: &[u8]| matches!(request.first(), Some(0x04 | 0x14));
        let before = self.survey();
        let Self { workshop, car, scene, outcome, .. } = self;
        // Text to an adapter has no check sum: digits that are lost on their way can make a request to clear of another.
        let hits = scene.hits();
        let is_harmed = |at_ns: i64| hits.iter().any(|hit| hit.is_to && (at_ns - S..=at_ns).contains(&hit.at_ns));
        if scene.answers().iter().any(|answer| is_clearing(&answer.request) && !is_harmed(answer.at_ns)) {
            outcome.broken.push("codes were cleared before a survey was saved".to_owned());
        }
        let Some(before) = before else {
            machine::mend();
            return;
        };
        let wish = ClearWish::default();
        let began_ns = scene.truth.now();
        let cleared = workshop.clear(car, &wish, &before, &mut workshop::Silent);
        machine::mend();
        outcome.check_time("clearing", seconds(scene.truth.now() - began_ns), LONGEST_SURVEY_S);
        match cleared {
            Ok(cleared) => {
                // A code that its module has set again is no trouble of the program; that the module said so is checked.
                let is_of_the_car = |problem: &&String| {
                    let mut confirmed = cleared.modules.iter().filter(|module| module.outcome == "confirmed");
                    confirmed.any(|module| {
                        let begin = format!("{} confirmed, but has ", module.module);
                        !module.after.is_empty() && problem.starts_with(&begin)
                    })
                };
                outcome.told = cleared.problems.iter().find(|problem| !is_of_the_car(problem)).cloned();
                survey_oracle::check_clearing(&cleared, began_ns, scene, outcome);
            }
            Err(error) => outcome.told = Some(error.to_string()),
        }
    }

    pub(crate) fn command(&mut self) {
        let Self { workshop, car, scene, plan, folder, outcome } = self;
        let dice = &mut plan.dice;
        let seconds_on = dice.between(2.0, 12.0).round();
        let id = dice.of(&["ac.clutch", "fan.command", "custom.fan_ramp"]);
        let how = match (id, dice.chance(0.5)) {
            ("custom.fan_ramp", _) => How::Routine { parameters: vec![("step".to_owned(), 1.0)], seconds: seconds_on },
            (_, true) => {
                How::Pulses { level: None, on_s: 2.0, off_s: 2.0, count: 1 + (dice.next() % 3) as u32, even: true }
            }
            (_, false) => How::Hold { level: None, seconds: seconds_on },
        };
        let Some(id) = SignalId::new(id).ok() else { return };
        let wish = CommandWish {
            id,
            how,
            signals: Vec::new(),
            out: Some(folder.join("command.mcap")),
            replace: false,
            cautions_read: true,
            pauses_s: 10.0,
        };
        // Whoever presses lets go at some time, or never.
        let leaves_ns = scene.truth.now() + dice.between(3.0, 40.0) as i64 * S;
        let truth = scene.truth.clone();
        let mut hand = || Hand::from(truth.now() < leaves_ns);
        let mut watcher = Watcher::new(scene.truth.clone(), plan);
        let began_ns = scene.truth.now();
        let done = workshop.command(car, &wish, &Control::default(), &mut watcher, &mut hand);
        machine::mend();
        outcome.check_time("the command", seconds(scene.truth.now() - began_ns), LONGEST_BESIDE_S);
        let driven_now = scene.truth.driven();
        let (returned, recorded) = match done {
            Ok(done) => {
                if done.ended != "complete" && done.ended != "released" {
                    outcome.told = Some(done.ended_text.clone());
                }
                outcome.told = outcome.told.take().or_else(|| done.recorded.problems.first().cloned());
                (done.returned, Some(done.recorded))
            }
            Err(error) => {
                outcome.told = Some(error.to_string());
                ("error".to_owned(), None)
            }
        };
        if matches!(returned.as_str(), "confirmed" | "not-driven") && !driven_now.is_empty() {
            outcome
                .broken
                .push(format!("control is said to be {returned}, and the car still has {driven_now:?} driven"));
        }
        // The adapter stays plugged in and says nothing, or goes on with what it keeps alive by itself.
        scene.truth.pass((SESSION_S * S as f64) as i64);
        let driven_later = scene.truth.driven();
        if !driven_later.is_empty() {
            outcome
                .broken
                .push(format!("{driven_later:?} still driven {SESSION_S} s after the command ended ({returned})"));
        }
        if let Some(recorded) = recorded {
            drive_oracle::check(&folder.join("command.mcap"), Some(&recorded), &watcher, scene, outcome);
        }
    }
}
