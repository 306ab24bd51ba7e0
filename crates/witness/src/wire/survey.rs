//! `witness survey --json`, which is also the file that a survey is saved as.

use protocol::obd::info::Info;
use protocol::obd::monitors::{MonitorResult, PlainResult, TestVerdict, monitor_title, test_title};
use protocol::obd::{Content, Ignition, MonitorState, Readiness, Value};
use serde::Serialize;
use vehicle::{FoundCode, FreezeFrame, InfoItem, ModuleSurvey, RawExchange, Survey};

#[derive(Debug, Serialize)]
pub(crate) struct SurveyJson {
    pub(crate) vehicle: VehicleJson,
    pub(crate) modules: Vec<ModuleJson>,
    pub(crate) readiness: ReadinessJson,
    pub(crate) problems: Vec<String>,
    pub(crate) taken: String,
    pub(crate) software: String,
    /// Where it was saved.
    pub(crate) file: Option<String>,
    /// Every request with its replies; only in the saved file.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(crate) raw: Vec<RawJson>,
}

#[derive(Debug, Serialize)]
pub(crate) struct VehicleJson {
    pub(crate) vin: Option<String>,
    pub(crate) protocol: Option<String>,
    pub(crate) vin_notes: Vec<String>,
    pub(crate) model_year: Option<u16>,
    pub(crate) adapter: String,
    pub(crate) supply_volts: Option<f64>,
}

#[derive(Debug, Serialize)]
pub(crate) struct ModuleJson {
    pub(crate) address: String,
    pub(crate) name: Option<String>,
    pub(crate) codes: Vec<CodeJson>,
    pub(crate) freeze_frames: Vec<FreezeFrameJson>,
    pub(crate) monitors: Vec<MonitorJson>,
    pub(crate) readiness: Option<ReadinessJson>,
    pub(crate) readiness_this_cycle: Option<ReadinessJson>,
    pub(crate) info: Vec<InfoJson>,
    pub(crate) pids: Vec<String>,
    pub(crate) problems: Vec<String>,
}

#[derive(Debug, Serialize)]
pub(crate) struct CodeJson {
    pub(crate) code: String,
    pub(crate) kinds: Vec<&'static str>,
    pub(crate) status: Option<u8>,
    pub(crate) status_words: Vec<&'static str>,
    /// What a standard code means, where it is known.
    pub(crate) text: Option<&'static str>,
    /// What the structure of the code alone tells.
    pub(crate) structure: String,
}

#[derive(Debug, Serialize)]
pub(crate) struct FreezeFrameJson {
    pub(crate) frame: u8,
    pub(crate) code: String,
    pub(crate) values: Vec<ValueJson>,
}

#[derive(Debug, Serialize)]
pub(crate) struct ValueJson {
    pub(crate) name: String,
    /// A number, a text, or null where only the bytes are known.
    pub(crate) value: serde_json::Value,
    pub(crate) unit: String,
}

/// One self-test result of service 06.
#[derive(Debug, Serialize)]
pub(crate) struct MonitorJson {
    pub(crate) monitor: String,
    pub(crate) test: String,
    pub(crate) title: Option<String>,
    pub(crate) value: Option<f64>,
    pub(crate) min: Option<f64>,
    pub(crate) max: Option<f64>,
    pub(crate) unit: String,
    pub(crate) verdict: &'static str,
}

#[derive(Debug, Serialize, Default)]
pub(crate) struct ReadinessJson {
    /// The module that reports it; null when none does.
    pub(crate) module: Option<String>,
    pub(crate) lamp: Option<bool>,
    pub(crate) confirmed_codes: Option<u8>,
    pub(crate) ignition: Option<&'static str>,
    pub(crate) incomplete: usize,
    pub(crate) monitors: Vec<MonitorStateJson>,
}

#[derive(Debug, Serialize)]
pub(crate) struct MonitorStateJson {
    pub(crate) name: &'static str,
    pub(crate) continuous: bool,
    pub(crate) state: &'static str,
}

#[derive(Debug, Serialize)]
pub(crate) struct InfoJson {
    pub(crate) title: String,
    pub(crate) values: Vec<String>,
    pub(crate) performance: Vec<InUseJson>,
}

/// How often a monitor ran, out of how often it could have.
#[derive(Debug, Serialize)]
pub(crate) struct InUseJson {
    pub(crate) name: &'static str,
    pub(crate) completions: u16,
    pub(crate) conditions: u16,
    pub(crate) ratio: Option<f64>,
}

#[derive(Debug, Serialize)]
pub(crate) struct RawJson {
    pub(crate) asked_ns: i64,
    pub(crate) to: String,
    pub(crate) request: String,
    pub(crate) replies: Vec<RawReplyJson>,
    pub(crate) problems: Vec<String>,
}

#[derive(Debug, Serialize)]
pub(crate) struct RawReplyJson {
    pub(crate) from: String,
    pub(crate) arrived_ns: i64,
    pub(crate) bytes: String,
}

impl SurveyJson {
    pub(crate) fn new(survey: &Survey, taken_unix_ns: i64) -> Self {
        let vin = survey.vin.as_ref();
        let first_readiness = survey.modules.iter().find_map(|module| Some((module, module.readiness.as_ref()?)));
        Self {
            vehicle: VehicleJson {
                vin: vin.map(|vin| vin.as_str().to_owned()),
                protocol: survey.bus.map(|bus| bus.to_string()),
                vin_notes: vin.map(|vin| vin.warnings().iter().map(ToString::to_string).collect()).unwrap_or_default(),
                model_year: vin.and_then(protocol::Vin::model_year),
                adapter: survey.adapter.clone(),
                supply_volts: survey.supply_volts,
            },
            modules: survey.modules.iter().map(ModuleJson::from).collect(),
            readiness: first_readiness
                .map(|(module, readiness)| ReadinessJson::new(readiness, Some(module.address.to_string())))
                .unwrap_or_default(),
            problems: survey.problems.clone(),
            taken: crate::places::time_for_people(taken_unix_ns),
            software: crate::SOFTWARE.to_owned(),
            file: None,
            raw: survey.raw.iter().map(RawJson::from).collect(),
        }
    }
}

impl From<&ModuleSurvey> for ModuleJson {
    fn from(module: &ModuleSurvey) -> Self {
        let plain = module.plain_results.iter().map(MonitorJson::from);
        Self {
            address: module.address.to_string(),
            name: module.name.clone(),
            codes: module.codes.iter().map(CodeJson::from).collect(),
            freeze_frames: module.freeze_frames.iter().map(FreezeFrameJson::from).collect(),
            monitors: module.results.iter().map(MonitorJson::from).chain(plain).collect(),
            readiness: module.readiness.as_ref().map(|readiness| ReadinessJson::new(readiness, None)),
            readiness_this_cycle: module.readiness_this_cycle.as_ref().map(|it| ReadinessJson::new(it, None)),
            info: module.info.iter().map(InfoJson::from).collect(),
            pids: module.pids.iter().map(|pid| format!("{pid:02X}")).collect(),
            problems: module.problems.clone(),
        }
    }
}

impl From<&FoundCode> for CodeJson {
    fn from(found: &FoundCode) -> Self {
        Self {
            code: found.code.to_string(),
            kinds: found.kinds.iter().map(|kind| kind.name()).collect(),
            status: found.status.map(|status| status.0),
            status_words: found.status.into_iter().flat_map(protocol::CodeStatus::words).collect(),
            text: definition::codes::text(found.code),
            structure: found.code.structure(),
        }
    }
}

impl From<&FreezeFrame> for FreezeFrameJson {
    fn from(frame: &FreezeFrame) -> Self {
        let values = frame.data.iter().flat_map(|part| part.values().value);
        Self {
            frame: frame.number,
            code: frame.code.to_string(),
            values: values.map(|it| ValueJson::from(&it)).collect(),
        }
    }
}

impl From<&Value> for ValueJson {
    fn from(value: &Value) -> Self {
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
        Self { name: value.name.to_owned(), value: shown, unit: value.unit.to_owned() }
    }
}

impl From<&MonitorResult> for MonitorJson {
    fn from(result: &MonitorResult) -> Self {
        let limits = result.limits();
        let titles = [monitor_title(result.mid), test_title(result.tid).map(str::to_owned)];
        let title: Vec<String> = titles.into_iter().flatten().collect();
        Self {
            monitor: format!("{:02X}", result.mid),
            test: format!("{:02X}", result.tid),
            title: (!title.is_empty()).then(|| title.join(": ")),
            value: result.physical(),
            min: limits.map(|(min, _)| min),
            max: limits.map(|(_, max)| max),
            unit: result.scale().map_or("", |scale| scale.unit).to_owned(),
            verdict: match result.verdict() {
                TestVerdict::Passed => "passed",
                TestVerdict::Failed => "failed",
                TestVerdict::NotRun => "not run",
            },
        }
    }
}

impl From<&PlainResult> for MonitorJson {
    fn from(result: &PlainResult) -> Self {
        let limit = Some(f64::from(result.limit));
        Self {
            monitor: String::new(),
            test: format!("{:02X}", result.tid),
            title: None,
            value: Some(f64::from(result.value)),
            min: limit.filter(|_| result.limit_is_minimum),
            max: limit.filter(|_| !result.limit_is_minimum),
            unit: String::new(),
            verdict: if result.passed() { "passed" } else { "failed" },
        }
    }
}

impl ReadinessJson {
    fn new(readiness: &Readiness, module: Option<String>) -> Self {
        Self {
            module,
            lamp: Some(readiness.lamp),
            confirmed_codes: Some(readiness.n_codes),
            ignition: Some(match readiness.ignition {
                Ignition::Spark => "spark",
                Ignition::Compression => "compression",
            }),
            incomplete: readiness.incomplete().count(),
            monitors: readiness
                .monitors
                .iter()
                .map(|monitor| MonitorStateJson {
                    name: monitor.name,
                    continuous: monitor.is_continuous,
                    state: match monitor.state {
                        MonitorState::NotFitted => "not fitted",
                        MonitorState::Complete => "complete",
                        MonitorState::Incomplete => "incomplete",
                    },
                })
                .collect(),
        }
    }
}

impl From<&InfoItem> for InfoJson {
    fn from(item: &InfoItem) -> Self {
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
                let monitors = performance.monitors.iter().map(|monitor| InUseJson {
                    name: monitor.name,
                    completions: monitor.completions,
                    conditions: monitor.conditions,
                    ratio: monitor.ratio(),
                });
                (values, monitors.collect())
            }
        };
        Self { title: item.title.clone(), values, performance }
    }
}

impl From<&RawExchange> for RawJson {
    fn from(raw: &RawExchange) -> Self {
        let hex = |bytes: &[u8]| protocol::Hex::from(bytes).to_string();
        Self {
            asked_ns: raw.exchange.asked_ns,
            to: crate::output::target(&raw.to),
            request: hex(&raw.request),
            replies: raw
                .exchange
                .replies
                .iter()
                .map(|reply| RawReplyJson {
                    from: reply.from.to_string(),
                    arrived_ns: reply.arrived_ns,
                    bytes: hex(&reply.bytes),
                })
                .collect(),
            problems: raw.exchange.problems.clone(),
        }
    }
}
