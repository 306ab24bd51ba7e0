//! Outputs, routines and what came of them.

use definition::{Care, Condition, Output, Range, Routine};
use signal::seconds_from_nanos;

fn care(care: &Care) -> wire::Care {
    let conditions = care.all_conditions();
    let need = |condition: &Condition| {
        let (min, max) = condition.limits();
        let name = match condition {
            Condition::Standing => "standing",
            Condition::EngineOff => "engine-off",
            Condition::EngineRunning => "engine-running",
            Condition::IgnitionOn => "ignition-on",
            Condition::Within { .. } => "within",
        };
        wire::Need { name: name.to_owned(), signal: condition.signal().to_string(), min, max }
    };
    wire::Care {
        conditions: conditions.iter().map(ToString::to_string).collect(),
        needs: conditions.iter().map(need).collect(),
        cautions: care.cautions.clone(),
        while_moving: care.while_moving,
        longest_s: care.longest.map(|longest| longest.as_secs_f64()),
    }
}

pub(crate) fn output(output: &Output) -> wire::Output {
    let (min, max, unit) = crate::command::limits(&output.range);
    wire::Output {
        id: output.id.to_string(),
        title: output.title.clone(),
        module: output.module.to_string(),
        is_switch: output.range == Range::Switch,
        min,
        max,
        unit,
        safe: output.safe,
        responds: output.responds.iter().map(ToString::to_string).collect(),
        care: care(&output.care),
    }
}

pub(crate) fn routine(routine: &Routine) -> wire::Routine {
    let parameters = routine.parameters.iter().map(|parameter| wire::Parameter {
        name: parameter.field.name.clone(),
        title: parameter.field.title.clone(),
        unit: parameter.field.unit.to_string(),
        min: parameter.min,
        max: parameter.max,
        default: parameter.default,
    });
    wire::Routine {
        id: routine.id.to_string(),
        title: routine.title.clone(),
        module: routine.module.to_string(),
        parameters: parameters.collect(),
        results: routine.results.iter().map(|result| result.name.clone()).collect(),
        can_stop: routine.can_stop,
        care: care(&routine.care),
    }
}

pub(crate) fn driven(driven: &vehicle::Driven) -> wire::Driven {
    wire::Driven {
        level: driven.level,
        asked_s: seconds_from_nanos(driven.asked_ns),
        confirmed_s: seconds_from_nanos(driven.confirmed_ns),
    }
}

/// The values in a routine's answer.
pub(crate) fn routine_results(routine: &Routine, data: &[u8]) -> Vec<wire::RoutineResult> {
    let result = |field: &definition::Field| wire::RoutineResult {
        name: field.name.clone(),
        value: field.value(data),
        unit: field.unit.to_string(),
        text: field.text(data).map(str::to_owned),
    };
    routine.results.iter().map(result).collect()
}
