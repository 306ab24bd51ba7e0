//! The JSON of the command line, of saved surveys and of the workbench: plain data, one type per shape.
//!
//! Fields are only ever added, so every type reads older files too: what they lack takes its default. This crate must
//! not know behaviour: it computes nothing, opens nothing and uses no other crate of the workspace; what is made of a car or
//! a drive becomes one of these types in the room that made it. The schemas are kept in `docs/json`. With the feature
//! `ts`, `typescript` gives the same types for the page of the workbench.
//!
//! ```
//! let survey: wire::Survey = serde_json::from_str(r#"{"vehicle": {"vin": "1M8GDM9AXKP042788"}}"#)?;
//! assert_eq!(survey.vehicle.vin.as_deref(), Some("1M8GDM9AXKP042788"));
//! assert!(survey.modules.is_empty());
//! # Ok::<(), serde_json::Error>(())
//! ```

mod command;
mod compare;
mod definitions;
mod drive;
mod findings;
mod ledger;
mod lists;
mod pictures;
mod program;
mod survey;
mod suspects;

pub use command::{
    Care, Cleared, ClearedModule, ClearingCost, Commanded, Commands, Driven, Need, Output, Parameter, Routine,
    RoutineResult,
};
pub use compare::{
    CellCompared, CellMean, CellReferred, CodeCompared, Compared, DrivesCompared, FrameCompared, ReferenceCompared,
    SignalCompared, SignalReferred, StateCompared, SurveysCompared,
};
pub use definitions::{DefinedAction, DefinedCode, DefinedMessage, DefinedModule, DefinedSignal, DefinitionsChecked};
pub use drive::{
    DriveSummary, Exported, Gain, Gap, Imported, LeaveOut, Mark, Planned, PlannedSignal, Rate, Recorded, Repaired,
    SignalSummary, Span, Unavailable,
};
pub use findings::{Examined, Experiment, ExperimentDrive, Finding, Hypothesis, SwapCounts, SwapJudged};
pub use ledger::{
    Case, CaseEntry, CaseFile, CaseMoved, CaseRef, CaseShown, CaseVehicle, Cases, Conditions, Content, Entry, FileRef,
    Placement, TakenIn, Verified,
};
pub use lists::{Signal, Signals, Watchlist, Watchlists};
pub use pictures::{LoadMap, MapCell, MapRegion, PairCell, PairError, Pictures, WheelSpectrum, Wheels};
pub use program::{
    Adapter, Adapters, Completions, Demo, Explained, Failed, Failure, Manual, Serving, StandinDefinitions, StandinHelp,
    Workbench,
};
pub use survey::{
    Code, CodeRecord, FreezeFrame, InUse, Info, Missing, Module, MonitorResult, MonitorState, Network, RawExchange,
    RawReply, Readiness, Survey, Value, Vehicle,
};
pub use suspects::{
    Bounds, CodeToStayAway, MonitorToRun, NewFault, NextTest, Proof, ProofOfFault, Reason, Reported, Suspect,
    SuspectArea, SuspectChange, SuspectStep, Suspects, TestOutcome,
};

/// The declarations of every type here, as one TypeScript module.
#[cfg(feature = "ts")]
#[must_use]
pub fn typescript() -> String {
    let config = ts_rs::Config::default();
    let mut module = String::from("// Made from crates/wire; do not edit.\n");
    macro_rules! declare {
        ($($name:ident)*) => {
            $(
                module += "\nexport ";
                module += &<$name as ts_rs::TS>::decl(&config);
                module += "\n";
            )*
        };
    }
    declare! {
        Adapter
        Adapters
        Bounds
        Care
        Case
        CaseFile
        CaseMoved
        CaseEntry
        CaseShown
        CaseRef
        CaseVehicle
        Cases
        CellCompared
        CellMean
        CellReferred
        Cleared
        ClearedModule
        ClearingCost
        Code
        CodeCompared
        CodeRecord
        CodeToStayAway
        Commanded
        Commands
        Compared
        Conditions
        Content
        DefinedAction
        DefinedCode
        DefinedMessage
        DefinedModule
        DefinedSignal
        DefinitionsChecked
        Demo
        DriveSummary
        Driven
        DrivesCompared
        Entry
        Examined
        Experiment
        ExperimentDrive
        Exported
        Failed
        Failure
        FileRef
        Finding
        FrameCompared
        FreezeFrame
        Gain
        Gap
        Hypothesis
        Imported
        InUse
        Info
        LeaveOut
        LoadMap
        MapCell
        MapRegion
        Mark
        Missing
        Module
        MonitorResult
        MonitorState
        MonitorToRun
        Need
        Network
        NewFault
        NextTest
        Output
        PairCell
        PairError
        Parameter
        Pictures
        Planned
        PlannedSignal
        Proof
        ProofOfFault
        Rate
        RawExchange
        RawReply
        Readiness
        Reason
        Recorded
        ReferenceCompared
        Repaired
        Reported
        Routine
        RoutineResult
        Serving
        Signal
        SignalCompared
        SignalReferred
        SignalSummary
        Signals
        Span
        StateCompared
        Survey
        SurveysCompared
        Suspect
        SuspectArea
        SuspectChange
        SuspectStep
        Suspects
        SwapCounts
        SwapJudged
        TakenIn
        TestOutcome
        Unavailable
        Value
        Vehicle
        Verified
        Watchlist
        Watchlists
        WheelSpectrum
        Wheels
        Workbench
    }
    module
}

#[cfg(all(test, feature = "ts"))]
mod tests {
    #[test]
    fn the_page_gets_every_type_once_and_numbers_as_numbers() {
        let module = super::typescript();
        assert_eq!(module.matches("type Survey =").count(), 1, "{module}");
        assert!(module.contains("export type Finding ="), "{module}");
        assert!(module.contains("vin: string | null"), "{module}");
        assert!(!module.contains("bigint"), "{module}");
    }
}
