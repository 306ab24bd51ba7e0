//! What a car said, as JSON.

use protocol::Vin;
use protocol::obd::info::Info;
use protocol::obd::monitors::{MonitorResult, PlainResult, TestVerdict, monitor_title, test_title};
use protocol::obd::{Content, Ignition, MonitorState, Pid, Readiness, Value};
use vehicle::{CodeRecord, FoundCode, FreezeFrame, InfoItem, ModuleSurvey, RawExchange, Survey};

/// What is odd about the VIN: by its own rules, and because a module tells another one.
fn vin_notes(vin: &Vin, modules: &[ModuleSurvey]) -> Vec<String> {
    let others = modules.iter().filter_map(|module| {
        let other = module.vin().filter(|other| other != vin)?;
        Some(format!("{} tells another VIN, {}: it may come from another car", module.address, other.as_str()))
    });
    vin.warnings().iter().map(ToString::to_string).chain(others).collect()
}

pub(crate) fn survey(survey: &Survey, taken_unix_ns: i64, software: &str) -> wire::Survey {
    let vin = survey.vin.as_ref();
    let first_readiness = survey.modules.iter().find_map(|module| Some((module, module.readiness.as_ref()?)));
    wire::Survey {
        vehicle: wire::Vehicle {
            vin: vin.map(|vin| vin.as_str().to_owned()),
            protocol: survey.bus.map(|bus| bus.to_string()),
            vin_notes: vin.map(|vin| vin_notes(vin, &survey.modules)).unwrap_or_default(),
            model_year: vin.and_then(protocol::Vin::model_year),
            adapter: survey.adapter.clone(),
            supply_volts: survey.supply_volts,
        },
        modules: survey.modules.iter().map(module).collect(),
        readiness: first_readiness
            .map(|(module, it)| readiness(it, Some(module.address.to_string())))
            .unwrap_or_default(),
        missing: survey
            .missing
            .iter()
            .map(|missing| wire::Missing {
                code: missing.code.to_string(),
                who: missing.who.clone(),
                reported_by: missing.reported_by.iter().map(ToString::to_string).collect(),
                is_now: missing.is_now,
            })
            .collect(),
        networks: networks(&survey.modules),
        problems: survey.problems.clone(),
        notes: survey.notes.clone(),
        taken: crate::places::time_for_people(taken_unix_ns),
        software: software.to_owned(),
        file: None,
        case: None,
        raw: survey.raw.iter().map(raw).collect(),
    }
}

/// Modules by network, in the order in which the networks come first.
fn networks(modules: &[ModuleSurvey]) -> Vec<wire::Network> {
    let mut networks: Vec<wire::Network> = Vec::new();
    for module in modules {
        let address = module.address.to_string();
        match networks.iter_mut().find(|network| network.name == module.network) {
            Some(network) => network.modules.push(address),
            None => networks.push(wire::Network { name: module.network.clone(), modules: vec![address] }),
        }
    }
    networks
}

fn module(module: &ModuleSurvey) -> wire::Module {
    let plain = module.plain_results.iter().map(plain_result);
    wire::Module {
        address: module.address.to_string(),
        name: module.name.clone(),
        kind: vehicle::kind_of(module.address).map(str::to_owned),
        full_address: format!("{:#}", module.address),
        dialect: module.speaks.name().to_owned(),
        network: module.network.clone(),
        codes: module.codes.iter().map(|found| code(found, &module.records)).collect(),
        freeze_frames: module.freeze_frames.iter().map(freeze_frame).collect(),
        monitors: module.results.iter().map(result).chain(plain).collect(),
        readiness: module.readiness.as_ref().map(|it| readiness(it, None)),
        readiness_this_cycle: module.readiness_this_cycle.as_ref().map(|it| readiness(it, None)),
        info: module.info.iter().map(info).collect(),
        pids: module.pids.iter().map(|pid| format!("{pid:02X}")).collect(),
        problems: module.problems.clone(),
        is_cut_short: module.is_cut_short,
    }
}

fn code(found: &FoundCode, records: &[CodeRecord]) -> wire::Code {
    let words = found.status.into_iter().flat_map(protocol::CodeStatus::words);
    let kwp_words = found.kwp_status.into_iter().flat_map(protocol::kwp::codes::Status::words);
    let own = |record: &&CodeRecord| record.code == found.code || Some(record.code) == found.detail;
    wire::Code {
        code: found.code.to_string(),
        kinds: found.kinds.iter().map(|kind| kind.name().to_owned()).collect(),
        status: found.status.map(|status| status.0),
        kwp_status: found.kwp_status.map(|status| status.0),
        status_words: words.chain(kwp_words).map(str::to_owned).collect(),
        detail: found.detail.map(|code| code.to_string()),
        records: records
            .iter()
            .filter(own)
            .map(|it| wire::CodeRecord { record: it.record, bytes: protocol::Hex(it.data.clone()).to_string() })
            .collect(),
        text: definition::codes::text(found.code).map(str::to_owned),
        structure: found.code.structure(),
    }
}

fn freeze_frame(frame: &FreezeFrame) -> wire::FreezeFrame {
    let values = frame.data.iter().flat_map(|part| part.values().value.into_iter().map(|it| value(part.pid, &it)));
    let others = frame.others.iter().map(|part| wire::Value {
        name: format!("identifier_{:04X}", part.did),
        title: format!("identifier {:04X}", part.did),
        value: serde_json::json!(protocol::Hex(part.data.clone()).to_string()),
        unit: String::new(),
    });
    wire::FreezeFrame { frame: frame.number, code: frame.code.to_string(), values: values.chain(others).collect() }
}

fn value(pid: u8, value: &Value) -> wire::Value {
    let shown = match &value.content {
        Content::Number(number) => serde_json::json!(number),
        Content::Switch(on) => serde_json::json!(on),
        Content::Choice { text: Some(text), .. } => serde_json::json!(text),
        Content::Choice { raw, text: None } => serde_json::json!(format!("value {raw:02X}")),
        Content::Flags(flags) => serde_json::json!(flags),
        Content::Code(code) => serde_json::json!(code.map(|code| code.to_string())),
        Content::Readiness(_) => serde_json::Value::Null,
        Content::Numbers(numbers) => {
            serde_json::json!(numbers.iter().map(|number| format!("{number:02X}")).collect::<Vec<_>>())
        }
        Content::Bytes(bytes) => serde_json::json!(bytes.to_string()),
    };
    let title = Pid::find(pid).map_or_else(|| format!("PID {pid:02X}"), |pid| pid.title_of(value.name));
    wire::Value { name: value.name.to_owned(), title, value: shown, unit: value.unit.to_owned() }
}

fn result(result: &MonitorResult) -> wire::MonitorResult {
    let limits = result.limits();
    let titles = [monitor_title(result.mid), test_title(result.tid).map(str::to_owned)];
    let title: Vec<String> = titles.into_iter().flatten().collect();
    wire::MonitorResult {
        monitor: format!("{:02X}", result.mid),
        test: format!("{:02X}", result.tid),
        title: (!title.is_empty()).then(|| title.join(": ")),
        value: result.physical(),
        min: limits.map(|(min, _)| min),
        max: limits.map(|(_, max)| max),
        unit: result.scale().map_or("", |scale| scale.unit).to_owned(),
        verdict: match result.verdict() {
            TestVerdict::Passed => "passed".to_owned(),
            TestVerdict::Failed => "failed".to_owned(),
            TestVerdict::NotRun => "not run".to_owned(),
        },
    }
}

fn plain_result(result: &PlainResult) -> wire::MonitorResult {
    let limit = Some(f64::from(result.limit));
    wire::MonitorResult {
        monitor: String::new(),
        test: format!("{:02X}", result.tid),
        title: None,
        value: Some(f64::from(result.value)),
        min: limit.filter(|_| result.limit_is_minimum),
        max: limit.filter(|_| !result.limit_is_minimum),
        unit: String::new(),
        verdict: if result.passed() { "passed" } else { "failed" }.to_owned(),
    }
}

fn readiness(readiness: &Readiness, module: Option<String>) -> wire::Readiness {
    wire::Readiness {
        module,
        lamp: Some(readiness.lamp),
        confirmed_codes: Some(readiness.n_codes),
        ignition: readiness.ignition.map(|ignition| match ignition {
            Ignition::Spark => "spark".to_owned(),
            Ignition::Compression => "compression".to_owned(),
        }),
        incomplete: readiness.incomplete().count(),
        monitors: readiness
            .monitors
            .iter()
            .map(|monitor| wire::MonitorState {
                name: monitor.name.to_owned(),
                continuous: monitor.is_continuous,
                state: match monitor.state {
                    MonitorState::NotFitted => "not fitted".to_owned(),
                    MonitorState::Complete => "complete".to_owned(),
                    MonitorState::Incomplete => "incomplete".to_owned(),
                },
            })
            .collect(),
    }
}

fn info(item: &InfoItem) -> wire::Info {
    let (values, performance) = match &item.content {
        Info::Texts(texts) => (texts.clone(), Vec::new()),
        Info::Verifications(numbers) => (numbers.iter().map(ToString::to_string).collect(), Vec::new()),
        Info::Bytes(bytes) => (vec![bytes.to_string()], Vec::new()),
        Info::MessageCount(count) => (vec![count.to_string()], Vec::new()),
        Info::Supported(numbers) => (numbers.iter().map(|number| format!("{number:02X}")).collect(), Vec::new()),
        Info::Performance(performance) => {
            let values = vec![
                format!("{} general conditions met", performance.obd_conditions),
                format!("{} ignition cycles", performance.ignition_cycles),
            ];
            let monitors = performance.monitors.iter().map(|monitor| wire::InUse {
                name: monitor.name.to_owned(),
                completions: monitor.completions,
                conditions: monitor.conditions,
                ratio: monitor.ratio(),
            });
            (values, monitors.collect())
        }
    };
    wire::Info { title: item.title.clone(), values, performance }
}

fn raw(raw: &RawExchange) -> wire::RawExchange {
    let hex = |bytes: &[u8]| protocol::Hex::from(bytes).to_string();
    wire::RawExchange {
        asked_ns: raw.exchange.asked_ns,
        to: super::target(&raw.to),
        request: hex(&raw.request),
        replies: raw
            .exchange
            .replies
            .iter()
            .map(|reply| wire::RawReply {
                from: reply.from.to_string(),
                arrived_ns: reply.arrived_ns,
                bytes: hex(&reply.bytes),
            })
            .collect(),
        problems: raw.exchange.problems.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The other VIN: 1M8GDM9AXKP042788, whose check digit follows the rule of 49 CFR 565.
    #[test]
    fn a_module_that_tells_another_vin_is_named() {
        let link = crate::car::open("standin:fell?script=idle", link::Settings::default()).unwrap();
        let mut survey = vehicle::Vehicle::find(link).unwrap().survey(|_| {});
        let vin = survey.vin.clone().unwrap();
        let n_notes = vin_notes(&vin, &survey.modules).len();
        let content = Info::Texts(vec!["1M8GDM9AXKP042788".to_owned()]);
        let last = survey.modules.last_mut().unwrap();
        last.info = vec![InfoItem { title: "vehicle identification number".to_owned(), content }];
        let told = vin_notes(&vin, &survey.modules);
        assert_eq!(told.len(), n_notes + 1, "{told:?}");
        assert!(told[n_notes].contains("tells another VIN, 1M8GDM9AXKP042788"), "{told:?}");
    }
}
