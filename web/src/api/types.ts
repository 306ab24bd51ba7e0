// Made from the types in crates/wire and crates/server by their tests; do not edit.


export type Adapter = { 
/**
 * Address to give to `--adapter`.
 */
address: string, 
/**
 * What kind of adapter it is, or was taken for.
 */
kind: string, 
/**
 * What the system or the device says of itself.
 */
what: string, 
/**
 * What adapters of this kind can do.
 */
abilities: Array<string>, 
/**
 * Whether it answered.
 */
answers: boolean, 
/**
 * What it says of itself.
 */
adapter: string | null, 
/**
 * The vehicle's network, when a vehicle answered.
 */
network: string | null, 
/**
 * From a question to the adapter to its own answer, ms.
 */
round_trip_ms: number | null, 
/**
 * From a request to the first answer of a module, ms.
 */
vehicle_round_trip_ms: number | null, 
/**
 * Supply voltage at the connector, V.
 */
supply_volts: number | null, 
/**
 * Why it cannot be used.
 */
problem: string | null, 
/**
 * What to try.
 */
hints: Array<string>, 
/**
 * What opening it found missing or odd.
 */
notes: Array<string>, };

export type Adapters = { 
/**
 * What is plugged in or reachable.
 */
adapters: Array<Adapter>, 
/**
 * What could not be looked for, and what is never found by itself.
 */
notes: Array<string>, };

export type Bounds = { 
/**
 * The signal.
 */
signal: string, 
/**
 * Unit of the ends.
 */
unit: string, 
/**
 * The least value that is in it; null is an open end.
 */
from: number | null, 
/**
 * The value from which it is left; null is an open end.
 */
to: number | null, };

export type Care = { 
/**
 * What must hold, as sentences; read from the car all the while.
 */
conditions: Array<string>, 
/**
 * The same as limits of signals, in the same order.
 */
needs: Array<Need>, 
/**
 * What can hurt someone or break something.
 */
cautions: Array<string>, 
/**
 * Whether the vehicle may move.
 */
while_moving: boolean, 
/**
 * Longest time in one go, seconds, where one is known.
 */
longest_s: number | null, };

export type Case = { 
/**
 * Its number in this casebook.
 */
number: number, 
/**
 * Its identity in every casebook: 32 hex digits.
 */
uid: string, 
/**
 * The vehicle.
 */
vehicle: CaseVehicle, 
/**
 * The complaint in the customer's words.
 */
complaint: string, 
/**
 * When it shows.
 */
conditions: Conditions, 
/**
 * Odometer at this visit, km.
 */
mileage_km: number | null, 
/**
 * When it was opened, ms since 1970-01-01 UTC.
 */
opened_unix_ms: number, 
/**
 * When it was closed, ms since 1970-01-01 UTC; null while it is open.
 */
closed_unix_ms: number | null, 
/**
 * Number of ledger entries.
 */
n_entries: number, 
/**
 * Hash of the last entry; who keeps it elsewhere (on the invoice, say) can show that nothing was taken away.
 */
head: string, };

export type CaseFile = { 
/**
 * The case.
 */
case: Case, 
/**
 * Its ledger, oldest entry first.
 */
entries: Array<Entry>, };

export type CaseMoved = { 
/**
 * The case; null for a backup of the whole casebook.
 */
case: Case | null, 
/**
 * The file that was written or read.
 */
file: string, 
/**
 * How many drives, surveys and photos went with it.
 */
n_files: number, 
/**
 * What of its vehicle is known otherwise here, and stays so.
 */
notes: Array<string>, 
/**
 * Files that could not go with it, and why.
 */
problems: Array<string>, };

export type CaseEntry = { 
/**
 * The case.
 */
case: Case, 
/**
 * The entry that was made.
 */
entry: Entry, 
/**
 * Where the parts sit now, for the kinds that were ever swapped or replaced.
 */
placement: { [key in string]: Array<number> }, };

export type CaseShown = { 
/**
 * The case.
 */
case: Case, 
/**
 * Its ledger, oldest entry first.
 */
entries: Array<Entry>, 
/**
 * Where the parts sit now, for the kinds that were ever swapped or replaced.
 */
placement: { [key in string]: Array<number> }, 
/**
 * What tests by hand showed and which parts repairs were about, in words, by the number of the entry.
 */
words: Record<number, string>, };

export type CaseRef = { 
/**
 * Number of the case in this casebook.
 */
number: number, 
/**
 * Number of the entry that was made.
 */
entry: number, 
/**
 * Whether the case was made for it, because none was open.
 */
is_new: boolean, };

export type CaseVehicle = { 
/**
 * Its number in this casebook; 0 before it has one.
 */
number: number, 
/**
 * Vehicle identification number, where known.
 */
vin: string | null, 
/**
 * Number plate.
 */
plate: string | null, 
/**
 * Maker, model and year, in anybody's words.
 */
model: string | null, 
/**
 * Engine, in anybody's words.
 */
engine: string | null, };

export type Cases = { 
/**
 * The newest first.
 */
cases: Array<Case>, 
/**
 * The open case that commands work in; null when there is none.
 */
open: number | null, };

export type CellCompared = { 
/**
 * The condition; empty for the whole drive.
 */
bounds: Array<Bounds>, 
/**
 * `higher`, `lower`, `no difference shown` or `too short`.
 */
verdict: string, 
/**
 * Second less first; null where one is too short.
 */
difference: number | null, 
/**
 * Lower end of its interval; the intervals of all conditions and signals hold together at 95 %.
 */
low: number | null, 
/**
 * Upper end.
 */
high: number | null, 
/**
 * The first drive.
 */
before: CellMean, 
/**
 * The second drive.
 */
after: CellMean, };

export type CellMean = { 
/**
 * How long it was there.
 */
seconds: number, 
/**
 * Mean; null when it was never there.
 */
mean: number | null, };

export type CellReferred = { 
/**
 * The condition; empty for the whole drive.
 */
bounds: Array<Bounds>, 
/**
 * `outside`, `as the healthy ones` or `too little`.
 */
verdict: string, 
/**
 * The drive.
 */
drive: CellMean, 
/**
 * Median of the drive's stretches of ten seconds.
 */
median: number | null, 
/**
 * Share of the healthy stretches below that median, percent.
 */
percentile: number | null, 
/**
 * 5th, 25th, 50th, 75th and 95th percentile of the healthy stretches; empty where there are none.
 */
reference: Array<number>, 
/**
 * Healthy drives that were in this condition.
 */
reference_drives: number, 
/**
 * How long they were there.
 */
reference_seconds: number, };

export type Cleared = { 
/**
 * What each module did.
 */
modules: Array<ClearedModule>, 
/**
 * File of the survey that was saved before.
 */
survey_before: string, 
/**
 * File of the survey that was taken afterwards.
 */
survey_after: string, 
/**
 * What was lost, in words.
 */
lost: Array<string>, 
/**
 * What went wrong.
 */
problems: Array<string>, };

export type ClearedModule = { 
/**
 * Its address, in hex.
 */
module: string, 
/**
 * `confirmed`, `refused` or `silent`.
 */
outcome: string, 
/**
 * Why it refused.
 */
reason: string | null, 
/**
 * Its codes before.
 */
before: Array<string>, 
/**
 * Its codes afterwards; permanent ones stay until the car itself has seen the repair.
 */
after: Array<string>, };

export type ClearingCost = { 
/**
 * Its address, in hex.
 */
module: string, 
/**
 * What it calls itself.
 */
name: string | null, 
/**
 * Codes that go, with their status.
 */
codes: Array<string>, 
/**
 * How many freeze frames go.
 */
freeze_frames: number, 
/**
 * How many results of self-tests go.
 */
test_results: number, 
/**
 * How many readiness monitors that are complete have to run again.
 */
monitors: number, 
/**
 * Permanent codes, which stay until the car itself sees the repair.
 */
permanent: Array<string>, 
/**
 * What could not be read of it, and goes unseen if it is there.
 */
unread: Array<string>, 
/**
 * Whether it may have codes that nobody has read: it is cleared only where that is said to be meant.
 */
is_cut_short: boolean, };

export type Code = { 
/**
 * Such as `P0301`.
 */
code: string, 
/**
 * The lists that it is in: `stored`, `pending`, `permanent`.
 */
kinds: Array<string>, 
/**
 * ISO 14229 status byte, where the module gives one.
 */
status: number | null, 
/**
 * ISO 14230 status byte, where the module gives that one.
 */
kwp_status: number | null, 
/**
 * The bits of the status byte in words.
 */
status_words: Array<string>, 
/**
 * The code with its failure type, where `code` comes from a list without.
 */
detail: string | null, 
/**
 * What the module keeps with it, such as counters.
 */
records: Array<CodeRecord>, 
/**
 * What a standard code means, where it is known.
 */
text: string | null, 
/**
 * What the structure of the code alone tells.
 */
structure: string, };

export type CodeCompared = { 
/**
 * The module.
 */
module: string, 
/**
 * Such as `P0301`.
 */
code: string, 
/**
 * `new`, `gone`, `still there`, or `not asked` where the module answered in one survey only.
 */
change: string, 
/**
 * The lists that it was in.
 */
before: Array<string>, 
/**
 * The lists that it is in.
 */
after: Array<string>, };

export type CodeRecord = { 
/**
 * Its number; null where the module has one only.
 */
record: number | null, 
/**
 * Its bytes in hex.
 */
bytes: string, };

export type CodeToStayAway = { 
/**
 * Such as `P0301`.
 */
code: string, 
/**
 * Address of the module that held it.
 */
module: string, 
/**
 * `away` or `there` in the last survey after the repair, `not read since` where that module was not read, and
 * `permanent` where it is kept as a permanent code only, which the car erases by itself.
 */
state: string, };

export type Commanded = { 
/**
 * The output or routine.
 */
id: string, 
/**
 * Its module, in hex.
 */
module: string, 
/**
 * `complete`, `released`, `unmet`, `expired`, `longest`, `refused`, `silent`, `session-over` or `link-lost`.
 */
ended: string, 
/**
 * The same in words, with the reason.
 */
ended_text: string, 
/**
 * `confirmed`, `by-session`, `unknown` or `not-driven`.
 */
returned: string, 
/**
 * The same in words, with what to do.
 */
returned_text: string, 
/**
 * What was driven and confirmed, in order.
 */
driven: Array<Driven>, 
/**
 * What a routine told.
 */
results: Array<RoutineResult>, 
/**
 * How the recorded signals responded.
 */
findings: Array<Finding>, 
/**
 * The drive that was recorded beside it.
 */
recorded: Recorded, };

export type Commands = { 
/**
 * What can be driven.
 */
outputs: Array<Output>, 
/**
 * What can be started.
 */
routines: Array<Routine>, 
/**
 * What can hurt someone whatever is driven, besides each one's own cautions.
 */
cautions: Array<string>, };

export type Compared = { 
/**
 * Two surveys; null where there are not two.
 */
surveys: SurveysCompared | null, 
/**
 * Two drives; null where there are not two.
 */
drives: DrivesCompared | null, 
/**
 * A drive over drives of healthy cars of the same model; null where none was asked for.
 */
reference: ReferenceCompared | null, 
/**
 * What could not be read.
 */
problems: Array<string>, };

export type Conditions = { 
/**
 * Hot, cold, both.
 */
engine: string | null, 
/**
 * At which speed or load.
 */
speed: string | null, 
/**
 * In which weather.
 */
weather: string | null, 
/**
 * How often.
 */
often: string | null, };

export type Content = { "kind": "opened", 
/**
 * The complaint in the customer's words.
 */
complaint: string, 
/**
 * When it shows.
 */
conditions: Conditions, 
/**
 * The vehicle as it was known then.
 */
vehicle: CaseVehicle, 
/**
 * Odometer, km.
 */
mileage_km: number | null, } | { "kind": "vehicle", 
/**
 * All that is known of it now.
 */
vehicle: CaseVehicle, 
/**
 * Odometer, km.
 */
mileage_km: number | null, } | { "kind": "survey", 
/**
 * The saved survey with its raw bytes.
 */
file: FileRef, 
/**
 * What it says, without the raw bytes.
 */
survey: Survey, } | { "kind": "drive", 
/**
 * The drive.
 */
file: FileRef, 
/**
 * What is in it.
 */
summary: DriveSummary, 
/**
 * What was lost of it.
 */
problems: Array<string>, } | { "kind": "mark", 
/**
 * SHA-256 of the drive.
 */
drive: string, 
/**
 * Seconds since the start of the drive.
 */
t_s: number, 
/**
 * End of a stretch; nothing for a moment.
 */
to_s?: number, 
/**
 * What was said of it.
 */
text: string, } | { "kind": "finding", 
/**
 * The drive as it was examined.
 */
file: FileRef, 
/**
 * Every answer, the strongest evidence for a fault first.
 */
findings: Array<Finding>, } | { "kind": "swap", 
/**
 * Kind of part, such as `coil`.
 */
part: string, 
/**
 * One cylinder.
 */
from: number, 
/**
 * The other.
 */
to: number, } | { "kind": "replaced", 
/**
 * Kind of part, such as `coil`.
 */
part: string, 
/**
 * Cylinder that it sits on, where it has one of its own.
 */
at: number | null, 
/**
 * Part number, maker, where it came from.
 */
text: string, } | { "kind": "command", 
/**
 * Address of the module, in hex.
 */
module: string, 
/**
 * What was commanded.
 */
output: string, 
/**
 * How it went, in one sentence.
 */
statement: string, 
/**
 * Everything else that is known of it.
 */
details: JsonValue, } | { "kind": "clearing", 
/**
 * Addresses of the modules, in hex.
 */
modules: Array<string>, 
/**
 * How it went, in one sentence.
 */
statement: string, 
/**
 * Everything else that is known of it.
 */
details: JsonValue, } | { "kind": "note", 
/**
 * What.
 */
text: string, } | { "kind": "photo", 
/**
 * The picture.
 */
file: FileRef, 
/**
 * What it shows.
 */
text: string, } | { "kind": "decision", 
/**
 * What.
 */
text: string, 
/**
 * Why.
 */
reason: string, } | { "kind": "swap-verdict", 
/**
 * The verdict with its numbers.
 */
verdict: SwapJudged, } | { "kind": "tested", 
/**
 * Area of the fault model, such as `misfire.1`.
 */
area: string, 
/**
 * Short name of the test.
 */
test: string, 
/**
 * Its answer.
 */
is_yes: boolean, } | { "kind": "repaired", 
/**
 * Area of the fault model, such as `misfire.1`.
 */
area: string, 
/**
 * Short name of the suspect.
 */
suspect: string, 
/**
 * Whether the fault was gone afterwards, shown and not hoped.
 */
helped: boolean, } | { "kind": "suspects", 
/**
 * Probability of each, by `AREA/SUSPECT`.
 */
weights: { [key in string]: number }, 
/**
 * One sentence for each area.
 */
statements: Array<string>, 
/**
 * What was seen, by area and with where it comes from, one line each.
 */
reasons: Array<string>, } | { "kind": "proof", 
/**
 * The proof with its numbers.
 */
proof: Proof, } | { "kind": "reference", 
/**
 * The drive.
 */
file: FileRef, 
/**
 * Maker and model, in anybody's words.
 */
model: string, 
/**
 * Why it counts as healthy.
 */
text: string, } | { "kind": "earlier", 
/**
 * When it was done, ms since 1970-01-01 UTC.
 */
done_unix_ms: number, 
/**
 * What was done.
 */
content: Content, } | { "kind": "correction", 
/**
 * Number of the entry.
 */
of: number, 
/**
 * Why.
 */
reason: string, 
/**
 * What it should have said; null when it should not have been made.
 */
content: Content | null, } | { "kind": "closed", 
/**
 * How it ended.
 */
outcome: string, } | { "kind": "reopened", 
/**
 * Why.
 */
reason: string, };

export type DefinedAction = { 
/**
 * Its name.
 */
id: string, 
/**
 * What it is.
 */
title: string, 
/**
 * What it takes, in words.
 */
takes: Array<string>, 
/**
 * What must hold, in words.
 */
conditions: Array<string>, 
/**
 * What can hurt someone or break something.
 */
cautions: Array<string>, };

export type DefinedCode = { 
/**
 * The code.
 */
code: string, 
/**
 * What it means.
 */
text: string, };

export type DefinedMessage = { 
/**
 * Its name.
 */
name: string, 
/**
 * CAN identifier, in hex.
 */
id: string, 
/**
 * Data bytes.
 */
bytes: number, 
/**
 * How often it comes, ms.
 */
cycle_ms: number | null, 
/**
 * Its signals.
 */
signals: Array<DefinedSignal>, };

export type DefinedModule = { 
/**
 * Its name.
 */
name: string, 
/**
 * Where it answers.
 */
address: string, 
/**
 * What can be read from it.
 */
signals: Array<DefinedSignal>, 
/**
 * What it can drive.
 */
outputs: Array<DefinedAction>, 
/**
 * What it can run.
 */
routines: Array<DefinedAction>, 
/**
 * Its own trouble codes with their texts.
 */
codes: Array<DefinedCode>, };

export type DefinedSignal = { 
/**
 * Its name.
 */
id: string, 
/**
 * Of its values.
 */
unit: string, 
/**
 * What it is.
 */
title: string, 
/**
 * The request that reads it, in hex; null for one that is broadcast.
 */
request: string | null, };

export type DefinitionsChecked = { 
/**
 * The file.
 */
file: string, 
/**
 * What it describes.
 */
title: string, 
/**
 * Where the knowledge comes from.
 */
origin: string, 
/**
 * Beginnings of the VINs that it is for; empty for any vehicle.
 */
fits_vin: Array<string>, 
/**
 * Modules, and what can be read from and done with each.
 */
modules: Array<DefinedModule>, 
/**
 * What modules broadcast.
 */
messages: Array<DefinedMessage>, 
/**
 * What could not be used, or is odd, with its line.
 */
problems: Array<string>, };

export type Demo = { 
/**
 * Where the files are.
 */
folder: string, 
/**
 * Each file.
 */
files: Array<string>, 
/**
 * How long it took, seconds.
 */
wall_s: number, 
/**
 * Codes that the survey found.
 */
codes: Array<string>, 
/**
 * What the drive proves.
 */
examined: Examined, 
/**
 * What the swap of the second car says.
 */
swap: SwapJudged, 
/**
 * What the proof of its repair says.
 */
proof: Proof, };

export type DriveSummary = { 
/**
 * Where it is.
 */
file: string, 
/**
 * Its length, seconds.
 */
duration_s: number, 
/**
 * What was recorded.
 */
signals: Array<SignalSummary>, 
/**
 * Moments that somebody marked.
 */
marks: Array<Mark>, 
/**
 * Stretches in which nothing could be recorded.
 */
gaps: Array<Gap>, 
/**
 * When it was driven, by the clock of whoever recorded it: ms since 1970-01-01 UTC.
 */
start_unix_ms?: number, };

export type Driven = { 
/**
 * The level.
 */
level: number, 
/**
 * When the request left, seconds since the start of the drive.
 */
asked_s: number, 
/**
 * When the module's confirmation had arrived.
 */
confirmed_s: number, };

export type DrivesCompared = { 
/**
 * The first drive.
 */
before: string, 
/**
 * The second drive.
 */
after: string, 
/**
 * Signal by signal.
 */
signals: Array<SignalCompared>, 
/**
 * Signals that only one of them has.
 */
only_in_one: Array<string>, 
/**
 * What the numbers do not say.
 */
caution: string, };

export type Entry = { 
/**
 * Its number in the ledger, from 1.
 */
number: number, 
/**
 * When it was made, ms since 1970-01-01 UTC.
 */
time_unix_ms: number, 
/**
 * Who made it.
 */
who: string, 
/**
 * Program and version that made it.
 */
software: string, 
/**
 * What it says.
 */
content: Content, 
/**
 * SHA-256 over everything above and the hash of the entry before, in hex.
 */
hash: string, };

export type Examined = { 
/**
 * The drive.
 */
drive: DriveSummary, 
/**
 * The strongest evidence for a fault first.
 */
findings: Array<Finding>, 
/**
 * What could not be read of the drive.
 */
problems: Array<string>, 
/**
 * The case that it belongs to; null when it belongs to none.
 */
case: CaseRef | null, };

export type Experiment = { 
/**
 * The kinds of part that were exchanged.
 */
parts: Array<string>, 
/**
 * In order of time.
 */
drives: Array<ExperimentDrive>, };

export type ExperimentDrive = { 
/**
 * The drive, beside the experiment's own file or as a path.
 */
file: string, 
/**
 * `placement["coil"][k]`: which coil sits on cylinder k + 1, numbered by where each sat at first.
 */
placement: { [key in string]: Array<number> }, };

export type Exported = { 
/**
 * The table.
 */
file: string, 
/**
 * Its rows.
 */
rows: number, 
/**
 * Its samples.
 */
samples: number, 
/**
 * What a table cannot hold.
 */
left_out: Array<string>, 
/**
 * What could not be read of the drive.
 */
problems: Array<string>, };

export type Failed = { 
/**
 * Why.
 */
error: Failure, };

export type Failure = { 
/**
 * What happened, and where.
 */
message: string, 
/**
 * What to do next.
 */
hints: Array<string>, 
/**
 * How the program ends.
 */
exit_code: number, };

export type FileRef = { 
/**
 * Where it is: below the data folder with `/` between the names, or an absolute path.
 */
path: string, 
/**
 * SHA-256 of its content, in hex.
 */
sha256: string, 
/**
 * Its size.
 */
bytes: number, };

export type Finding = { 
/**
 * Which question, such as `dropout`.
 */
kind: string, 
/**
 * About what.
 */
subject: Array<string>, 
/**
 * `faulty`, `healthy` or `undecided`.
 */
verdict: string, 
/**
 * Evidence for a fault over no fault.
 */
log10_odds: number, 
/**
 * One plain sentence with its numbers.
 */
statement: string, 
/**
 * The numbers by name; units in the names.
 */
figures: { [key in string]: number }, 
/**
 * Where in the drive.
 */
spans: Array<Span>, 
/**
 * What else could explain it.
 */
alternatives: Array<string>, 
/**
 * What would settle it.
 */
next: Array<string>, };

export type FrameCompared = { 
/**
 * The module.
 */
module: string, 
/**
 * The code that stored it.
 */
code: string, 
/**
 * Its values, with their units.
 */
values: Array<StateCompared>, };

export type FreezeFrame = { 
/**
 * Its number.
 */
frame: number, 
/**
 * The code that stored it.
 */
code: string, 
/**
 * What it holds.
 */
values: Array<Value>, };

export type Gain = { 
/**
 * Its name.
 */
id: string, 
/**
 * Samples per second.
 */
per_second: number, 
/**
 * Odds of catching one event of the plan's length.
 */
odds: number, };

export type Gap = { 
/**
 * Seconds since the start of the drive.
 */
from_s: number, 
/**
 * Seconds since the start of the drive.
 */
to_s: number, 
/**
 * Why.
 */
reason: string, };

export type Hypothesis = { 
/**
 * `coil 1`, `cylinder 1`, `several` or `none`.
 */
fault: string, 
/**
 * 0 to 1.
 */
probability: number, };

export type Imported = { 
/**
 * The drive.
 */
file: string, 
/**
 * Rows of the table, or frames of the log.
 */
rows: number, 
/**
 * Samples in the drive.
 */
samples: number, 
/**
 * Their names.
 */
signals: Array<string>, 
/**
 * What was done to names and units.
 */
notes: Array<string>, 
/**
 * What was lost.
 */
problems: Array<string>, };

export type InUse = { 
/**
 * The monitor.
 */
name: string, 
/**
 * Times that it ran to its end.
 */
completions: number, 
/**
 * Times that it could have.
 */
conditions: number, 
/**
 * The first by the second.
 */
ratio: number | null, };

export type Info = { 
/**
 * What it is.
 */
title: string, 
/**
 * As text.
 */
values: Array<string>, 
/**
 * How often its monitors ran.
 */
performance: Array<InUse>, };

export type LeaveOut = { 
/**
 * Names of the signals.
 */
ids: Array<string>, 
/**
 * What others would then get.
 */
gains: Array<Gain>, };

export type LoadMap = { 
/**
 * The signal.
 */
signal: string, 
/**
 * What stands for the load; null: nothing, and all cells lie at 0.
 */
load: string | null, 
/**
 * Of the values: the signal's own, or `per 1000 firings` for counters of misfires.
 */
unit: string, 
/**
 * Width of a cell, rpm.
 */
cell_rpm: number, 
/**
 * Height of a cell, percent (or what stands for it).
 */
cell_load: number, 
/**
 * Where the engine was.
 */
cells: Array<MapCell>, 
/**
 * Where a cylinder misfires more often than elsewhere; null when no part stands out.
 */
region: MapRegion | null, };

export type MapCell = { 
/**
 * Lower edge, rpm.
 */
rpm: number, 
/**
 * Lower edge, percent (or what stands for it).
 */
load: number, 
/**
 * Seconds, or firings of the cylinder for a rate.
 */
exposure: number, 
/**
 * Mean, or rate.
 */
value: number, };

export type MapRegion = { 
/**
 * From this engine speed.
 */
from_rpm: number | null, 
/**
 * To this one.
 */
to_rpm: number | null, 
/**
 * From this load.
 */
from_load: number | null, 
/**
 * To this one.
 */
to_load: number | null, };

export type Mark = { 
/**
 * Seconds since the start of the drive.
 */
t_s: number, 
/**
 * What was said about it.
 */
text: string, };

export type Missing = { 
/**
 * The code that says so, without failure type.
 */
code: string, 
/**
 * Who is missing, in the words of the standard code.
 */
who: string, 
/**
 * Addresses of the modules that say so.
 */
reported_by: Array<string>, 
/**
 * Somebody says that it is so now; otherwise it was so once.
 */
is_now: boolean, };

export type Module = { 
/**
 * As its replies carry it, in hex.
 */
address: string, 
/**
 * What it calls itself, or what a definition calls it.
 */
name: string | null, 
/**
 * What its address alone says that it is for, where addresses are given by kind.
 */
kind: string | null, 
/**
 * The address with all that is needed to reach it, such as `714-77E`; the same as `address` where that says it all.
 */
full_address: string, 
/**
 * What it speaks: `OBD`, `OBD on UDS`, `UDS` or `KWP2000`.
 */
dialect: string, 
/**
 * The network that it sits on, where a definition tells.
 */
network: string | null, 
/**
 * Its codes, each once.
 */
codes: Array<Code>, 
/**
 * Its freeze frames.
 */
freeze_frames: Array<FreezeFrame>, 
/**
 * Results of its self-tests.
 */
monitors: Array<MonitorResult>, 
/**
 * Since codes were cleared.
 */
readiness: Readiness | null, 
/**
 * In this drive cycle.
 */
readiness_this_cycle: Readiness | null, 
/**
 * What it says of itself.
 */
info: Array<Info>, 
/**
 * The PIDs of service 01 that it has, in hex.
 */
pids: Array<string>, 
/**
 * What went wrong with this module.
 */
problems: Array<string>, 
/**
 * Whether reading it broke off, or its codes could not be read without trouble: it may have codes that are not here.
 */
is_cut_short: boolean, };

export type MonitorResult = { 
/**
 * Number of the monitor, in hex.
 */
monitor: string, 
/**
 * Number of the test, in hex.
 */
test: string, 
/**
 * What a standard monitor and test are.
 */
title: string | null, 
/**
 * The result.
 */
value: number | null, 
/**
 * Least value that passes.
 */
min: number | null, 
/**
 * Greatest value that passes.
 */
max: number | null, 
/**
 * Of value and limits.
 */
unit: string, 
/**
 * `passed`, `failed` or `not run`.
 */
verdict: string, };

export type MonitorState = { 
/**
 * What it watches.
 */
name: string, 
/**
 * Whether it runs all the time.
 */
continuous: boolean, 
/**
 * `not fitted`, `complete` or `incomplete`.
 */
state: string, };

export type MonitorToRun = { 
/**
 * What it watches.
 */
name: string, 
/**
 * What it usually takes to run it; the maker's own conditions come first.
 */
conditions: string, };

export type Need = { 
/**
 * Which condition it is: `standing`, `engine-off`, `engine-running`, `ignition-on`, or `within` limits of its own.
 */
name: string, 
/**
 * The signal.
 */
signal: string, 
/**
 * Least value; null: no limit.
 */
min: number | null, 
/**
 * Greatest value; null: no limit.
 */
max: number | null, };

export type Network = { 
/**
 * What it is called; null for the one at the connector or behind it, as far as nobody tells.
 */
name: string | null, 
/**
 * Addresses of its modules.
 */
modules: Array<string>, };

export type NewFault = { 
/**
 * The check that sees it.
 */
kind: string, 
/**
 * About what.
 */
subject: Array<string>, 
/**
 * One plain sentence with its numbers.
 */
statement: string, 
/**
 * What the same check said of the drives before the repair; null where it could not be asked.
 */
before: string | null, 
/**
 * What to do next.
 */
next: Array<string>, };

export type NextTest = { 
/**
 * Short name, for `--result AREA/TEST=yes`.
 */
id: string, 
/**
 * What to do.
 */
ask: string, 
/**
 * How long it takes.
 */
minutes: number, 
/**
 * What it costs besides time, in the shop's currency.
 */
money: number, 
/**
 * What it is expected to save after its own cost, in the shop's currency.
 */
saves: number, 
/**
 * What to mind.
 */
caution: string | null, 
/**
 * What "yes" and "no" would mean, in this order.
 */
outcomes: Array<TestOutcome>, };

export type Output = { 
/**
 * Its name.
 */
id: string, 
/**
 * What it is.
 */
title: string, 
/**
 * The module that drives it, in hex.
 */
module: string, 
/**
 * Whether it is only on (1) or off (0).
 */
is_switch: boolean, 
/**
 * Least level.
 */
min: number, 
/**
 * Greatest level.
 */
max: number, 
/**
 * Of the levels; empty or `1` where they have none.
 */
unit: string, 
/**
 * The level between pulses, and before letting go.
 */
safe: number, 
/**
 * Signals that ought to respond.
 */
responds: Array<string>, 
/**
 * What has to be heeded.
 */
care: Care, };

export type PairCell = { 
/**
 * From this reading of the first.
 */
from: number, 
/**
 * To this one.
 */
to: number, 
/**
 * Readings.
 */
n: number, 
/**
 * One reading in twenty falls below.
 */
low: number, 
/**
 * The middle.
 */
middle: number, 
/**
 * One reading in twenty exceeds it.
 */
high: number, 
/**
 * How far off a sound pair may be.
 */
allowed: number, };

export type PairError = { 
/**
 * The two signals.
 */
signals: [string, string], 
/**
 * Their units.
 */
units: [string, string], 
/**
 * The straight line between them: the second is `offset` plus `slope` times the first.
 */
slope: number, 
/**
 * See `slope`.
 */
offset: number, 
/**
 * Parts of the visited travel in order of position.
 */
cells: Array<PairCell>, 
/**
 * The most suspicious place, in readings of the first; null when there is none.
 */
place: [number, number] | null, };

export type Parameter = { 
/**
 * Its name.
 */
name: string, 
/**
 * What it is.
 */
title: string, 
/**
 * Its unit.
 */
unit: string, 
/**
 * Least value.
 */
min: number, 
/**
 * Greatest value.
 */
max: number, 
/**
 * The value when none is given; null: one must be given.
 */
default: number | null, };

export type Pictures = { 
/**
 * A signal over engine speed and load.
 */
map: LoadMap | null, 
/**
 * Two tracks of one sensor over their travel.
 */
pair: PairError | null, 
/**
 * What repeats in the speed of each wheel; null when it was not asked for.
 */
wheels: Wheels | null, 
/**
 * What could not be made, and why.
 */
problems: Array<string>, };

export type Planned = { 
/**
 * Name of the network.
 */
protocol: string | null, 
/**
 * Length of the event that the odds are for, ms.
 */
event_ms: number, 
/**
 * The wanted signals that can be had.
 */
signals: Array<PlannedSignal>, 
/**
 * Those that cannot.
 */
unavailable: Array<Unavailable>, 
/**
 * What to leave out for better odds, best first; estimated from the measured times.
 */
leave_out: Array<LeaveOut>, };

export type PlannedSignal = { 
/**
 * Its name.
 */
id: string, 
/**
 * Of its values.
 */
unit: string, 
/**
 * Which module and request it comes from.
 */
source: string, 
/**
 * Samples per second, measured on this car.
 */
per_second: number, 
/**
 * Seconds between two requests for a signal that changes slowly and is asked so on purpose; null: as often as can be.
 */
every_s: number | null, 
/**
 * Odds of catching one event of `event_ms`.
 */
odds: number, 
/**
 * Events after which one is caught with 95 %; null when none ever would be.
 */
events_for_95_percent: number | null, 
/**
 * Whether it was left out on the way: it stays in the drive, but brings nothing more.
 */
left_out?: boolean, };

export type Proof = { 
/**
 * Every fault that the drives before the repair showed.
 */
faults: Array<ProofOfFault>, 
/**
 * `proven` when all are gone, `not repaired` when one is still there, `fewer` when one is rarer but not gone,
 * `not yet` when more must be driven, `nothing before` when the drives before showed no fault. It is about these faults
 * alone: where `new_faults` is not empty the car is not sound, whatever it says.
 */
verdict: string, 
/**
 * The same in plain words, with what arose since.
 */
statement: string, 
/**
 * Faults of the drives after the repair that no drive before it showed.
 */
new_faults: Array<NewFault>, 
/**
 * What could not be read of the drives.
 */
problems: Array<string>, 
/**
 * The case that it belongs to; null when it belongs to none.
 */
case: CaseRef | null, 
/**
 * The car's own monitors that its last survey shows as not yet run; empty without a case.
 */
monitors: Array<MonitorToRun>, 
/**
 * Codes from before the repair, which must stay away; empty without a case.
 */
codes: Array<CodeToStayAway>, };

export type ProofOfFault = { 
/**
 * The check that saw it.
 */
kind: string, 
/**
 * About what.
 */
subject: Array<string>, 
/**
 * What it was before.
 */
before: string, 
/**
 * The part that a swap convicted and that is followed from cylinder to cylinder, such as `coil 1`; null where the
 * subject itself is followed.
 */
part: string | null, 
/**
 * Signals that a drive must record to count for the proof.
 */
signals: Array<string>, 
/**
 * Where it must be driven.
 */
condition: string, 
/**
 * The same as ranges of signals, all of which must hold at once; empty where any driving counts.
 */
bounds: Array<Bounds>, 
/**
 * `gone`, `fewer`, `still there`, `not yet` or `nothing before`.
 */
outcome: string, 
/**
 * One plain sentence with its numbers.
 */
statement: string, 
/**
 * Share of the necessary exposure that is driven, 0 to 1; null where the check knows no exposure.
 */
progress: number | null, 
/**
 * Seconds of the condition that show it at 95 %; null where no amount of driving or no exposure is known.
 */
needed_s: number | null, 
/**
 * Seconds of the condition that were driven.
 */
collected_s: number | null, 
/**
 * Seconds still lacking.
 */
lacking_s: number | null, 
/**
 * What to do next.
 */
next: Array<string>, };

export type Rate = { 
/**
 * The signal.
 */
id: string, 
/**
 * Samples per second.
 */
per_second: number, };

export type RawExchange = { 
/**
 * When the request left, ns on the link's clock.
 */
asked_ns: number, 
/**
 * A module's address, or `everyone`.
 */
to: string, 
/**
 * In hex.
 */
request: string, 
/**
 * In order of arrival.
 */
replies: Array<RawReply>, 
/**
 * What was unreadable.
 */
problems: Array<string>, };

export type RawReply = { 
/**
 * Address of the module.
 */
from: string, 
/**
 * When it had arrived, ns on the link's clock.
 */
arrived_ns: number, 
/**
 * In hex.
 */
bytes: string, };

export type Readiness = { 
/**
 * The module that reports it; null when none does.
 */
module: string | null, 
/**
 * Whether the malfunction lamp is commanded on.
 */
lamp: boolean | null, 
/**
 * Number of confirmed codes.
 */
confirmed_codes: number | null, 
/**
 * `spark` or `compression`.
 */
ignition: string | null, 
/**
 * Monitors that are fitted and have not run to their end.
 */
incomplete: number, 
/**
 * Each monitor.
 */
monitors: Array<MonitorState>, };

export type Reason = { 
/**
 * In words.
 */
text: string, 
/**
 * By how much it multiplied the odds.
 */
factor: number, };

export type Recorded = { 
/**
 * The drive.
 */
drive: DriveSummary, 
/**
 * As measured before it started.
 */
rates: Array<Rate>, 
/**
 * Wanted signals that could not be had.
 */
unavailable: Array<Unavailable>, 
/**
 * Size of the file.
 */
bytes: number, 
/**
 * What happened on the way.
 */
notes: Array<string>, 
/**
 * What was lost, besides the gaps.
 */
problems: Array<string>, 
/**
 * The case that it belongs to; null when it belongs to none.
 */
case: CaseRef | null, };

export type ReferenceCompared = { 
/**
 * The drive.
 */
drive: string, 
/**
 * The model whose healthy drives are meant.
 */
model: string, 
/**
 * The healthy drives.
 */
references: Array<string>, 
/**
 * Signal by signal.
 */
signals: Array<SignalReferred>, 
/**
 * Signals of the drive that no healthy one has.
 */
without_reference: Array<string>, 
/**
 * What the numbers do not say.
 */
caution: string, };

export type Repaired = { 
/**
 * The good copy.
 */
file: string, 
/**
 * What is lost.
 */
problems: Array<string>, };

export type Reported = { 
/**
 * The report.
 */
file: string, 
/**
 * `html` or `pdf`.
 */
format: string, 
/**
 * Its size.
 */
bytes: number, 
/**
 * What could not be read of what it was made of.
 */
problems: Array<string>, };

export type Routine = { 
/**
 * Its name.
 */
id: string, 
/**
 * What it does.
 */
title: string, 
/**
 * The module that runs it, in hex.
 */
module: string, 
/**
 * What it wants to know.
 */
parameters: Array<Parameter>, 
/**
 * Names of what it tells.
 */
results: Array<string>, 
/**
 * Whether it can be stopped before its end.
 */
can_stop: boolean, 
/**
 * What has to be heeded.
 */
care: Care, };

export type RoutineResult = { 
/**
 * Its name.
 */
name: string, 
/**
 * Its value; null where it is not there.
 */
value: number | null, 
/**
 * Its unit.
 */
unit: string, 
/**
 * The text of the value, where the definition has one.
 */
text: string | null, };

export type Serving = { 
/**
 * Address to connect to.
 */
adapter: string, };

export type Signal = { 
/**
 * Its name.
 */
id: string, 
/**
 * Of its values.
 */
unit: string, 
/**
 * What it is.
 */
title: string, 
/**
 * Counterpart in the open vehicle signal catalogue.
 */
vss: string | null, 
/**
 * Whether a definition says how to read it from a car.
 */
readable: boolean, 
/**
 * Names of the modules that have it, where a definition tells.
 */
modules: Array<string>, };

export type SignalCompared = { 
/**
 * The signal.
 */
id: string, 
/**
 * Unit of its numbers.
 */
unit: string, 
/**
 * One plain sentence.
 */
statement: string, 
/**
 * Every condition that either drive was in.
 */
cells: Array<CellCompared>, };

export type SignalReferred = { 
/**
 * The signal.
 */
id: string, 
/**
 * Unit of its numbers.
 */
unit: string, 
/**
 * One plain sentence.
 */
statement: string, 
/**
 * Every condition that the drive was in.
 */
cells: Array<CellReferred>, };

export type SignalSummary = { 
/**
 * Its name.
 */
id: string, 
/**
 * Of its values.
 */
unit: string, 
/**
 * How many.
 */
samples: number, 
/**
 * Between samples, seconds; 0 with fewer than two.
 */
median_interval_s: number, };

export type Signals = { 
/**
 * By name.
 */
signals: Array<Signal>, };

export type Span = { 
/**
 * Seconds since the start of the drive.
 */
from_s: number, 
/**
 * Seconds since the start of the drive.
 */
to_s: number, };

export type StateCompared = { 
/**
 * What it is the state of.
 */
name: string, 
/**
 * In the first; null where it is not in it.
 */
before: string | null, 
/**
 * In the second; null where it is not in it.
 */
after: string | null, };

export type Survey = { 
/**
 * The car as a whole.
 */
vehicle: Vehicle, 
/**
 * One per module that answers.
 */
modules: Array<Module>, 
/**
 * Of the first module that reports it.
 */
readiness: Readiness, 
/**
 * Modules that others get no messages from, those that more of them miss first.
 */
missing: Array<Missing>, 
/**
 * Which module sits on which network, as far as it is known.
 */
networks: Array<Network>, 
/**
 * What went wrong over the whole car.
 */
problems: Array<string>, 
/**
 * What went wrong on the way and was made good by asking again: nothing is lost.
 */
notes: Array<string>, 
/**
 * When, as `2026-03-01 10:20:30 UTC`.
 */
taken: string, 
/**
 * Program and version that took it.
 */
software: string, 
/**
 * Where it was saved.
 */
file: string | null, 
/**
 * Every request with its replies; only in the saved file.
 */
raw: Array<RawExchange>, 
/**
 * The case that it belongs to; null when it belongs to none.
 */
case: CaseRef | null, };

export type SurveysCompared = { 
/**
 * When the first was taken.
 */
before: string, 
/**
 * When the second was taken.
 */
after: string, 
/**
 * Every code of either.
 */
codes: Array<CodeCompared>, 
/**
 * Readiness monitors whose state changed, and those that are incomplete in the second.
 */
readiness: Array<StateCompared>, 
/**
 * Freeze frames of codes that are in either, value by value; fuel trims among them.
 */
frames: Array<FrameCompared>, 
/**
 * Modules that answered in one of them only: nothing can be said of their codes.
 */
only_in_one: Array<string>, };

export type Suspect = { 
/**
 * Short name; `unlisted` and `no-fault` are in every area.
 */
id: string, 
/**
 * In words; with the place where the part stands now, if it is another.
 */
name: string, 
/**
 * Where the part stands now, such as `cylinder 4`; null where it never changed its place.
 */
now_on: string | null, 
/**
 * It was taken out of the car.
 */
is_out: boolean, 
/**
 * Now, 0 to 1.
 */
probability: number, 
/**
 * Before any evidence.
 */
prior: number, 
/**
 * What speaks for it, strongest first.
 */
speaks_for: Array<Reason>, 
/**
 * What speaks against it, strongest first.
 */
speaks_against: Array<Reason>, 
/**
 * Working time of its repair with the check afterwards, minutes.
 */
minutes: number, 
/**
 * What its parts cost, in the shop's currency.
 */
money: number, };

export type SuspectArea = { 
/**
 * Such as `misfire.1`.
 */
id: string, 
/**
 * In words.
 */
title: string, 
/**
 * What points here.
 */
opened_by: Array<string>, 
/**
 * Nothing but words of the complaint points here: its numbers are those of experience.
 */
is_complaint_only: boolean, 
/**
 * Whether the evidence decides already.
 */
decided: boolean, 
/**
 * One plain sentence.
 */
statement: string, 
/**
 * Most probable first; their probabilities sum to 1.
 */
suspects: Array<Suspect>, 
/**
 * What each piece of evidence changed, in order.
 */
steps: Array<SuspectStep>, 
/**
 * The test to make now; null when nothing is left to test, or when it is decided and no test saves anything.
 */
next: NextTest | null, 
/**
 * Short name of the suspect whose repair at once is expected to cost less than any test before it; or null.
 */
repair_first: string | null, 
/**
 * Every other test that was not made yet, best first.
 */
tests: Array<NextTest>, 
/**
 * What to mind in this area.
 */
caution: string | null, 
/**
 * Where the numbers of the fault model come from.
 */
source: string, };

export type SuspectChange = { 
/**
 * The suspect's short name.
 */
suspect: string, 
/**
 * Before the step.
 */
from: number, 
/**
 * After it.
 */
to: number, };

export type SuspectStep = { 
/**
 * Where it comes from.
 */
evidence: string, 
/**
 * What was seen.
 */
seen: string, 
/**
 * Why it tells.
 */
why: string, 
/**
 * It counts half, because related evidence was counted already.
 */
counts_half: boolean, 
/**
 * Each suspect before and after.
 */
changes: Array<SuspectChange>, };

export type Suspects = { 
/**
 * Areas of the car that something points at, the surest fault first.
 */
areas: Array<SuspectArea>, 
/**
 * Evidence that no area uses.
 */
unused: Array<string>, 
/**
 * What could not be read.
 */
problems: Array<string>, 
/**
 * The case that it belongs to; null when it belongs to none.
 */
case: CaseRef | null, 
/**
 * How the suspects of the case moved since they were last asked for, by `AREA/SUSPECT`.
 */
moved: Array<SuspectChange>, 
/**
 * Why: the evidence that came since then, and what no longer holds, one line each.
 */
moved_by: Array<string>, };

export type SwapCounts = { 
/**
 * The drive.
 */
file: string, 
/**
 * Counted misfires.
 */
misfires: Array<number | null>, 
/**
 * Firings in the same condition.
 */
firings: Array<number | null>, };

export type SwapJudged = { 
/**
 * The most probable first; they sum to 1.
 */
hypotheses: Array<Hypothesis>, 
/**
 * Whether the first is probable enough.
 */
decided: boolean, 
/**
 * One plain sentence with its numbers.
 */
statement: string, 
/**
 * What would settle it, or what to do now.
 */
next: Array<string>, 
/**
 * Per drive and cylinder, in the condition in which it failed before.
 */
drives: Array<SwapCounts>, 
/**
 * What could not be read of the drives.
 */
problems: Array<string>, 
/**
 * The case that it belongs to; null when it belongs to none.
 */
case: CaseRef | null, };

export type TakenIn = { 
/**
 * The name of the drive that it became; null for a case.
 */
drive: string | null, 
/**
 * The case; null for a drive.
 */
case: Case | null, 
/**
 * What of the vehicle of a case is known otherwise here, and stays so.
 */
notes: Array<string>, 
/**
 * What was damaged or missing.
 */
problems: Array<string>, };

export type TestOutcome = { 
/**
 * `yes` or `no`.
 */
answer: string, 
/**
 * What is seen.
 */
seen: string, 
/**
 * How likely that is.
 */
probability: number, 
/**
 * What is most probable then.
 */
then: string, 
/**
 * How probable.
 */
then_probability: number, 
/**
 * Whether that decides.
 */
decides: boolean, };

export type Unavailable = { 
/**
 * The signal.
 */
id: string, 
/**
 * Why not, and what to do about it.
 */
reason: string, };

export type Value = { 
/**
 * Its name in the tables, the same in every version.
 */
name: string, 
/**
 * What it is, in a few words; empty in surveys that were saved before there were titles.
 */
title: string, 
/**
 * A number, a text, or null where only the bytes are known.
 */
value: JsonValue, 
/**
 * Its unit; empty or `1` where it has none.
 */
unit: string, };

export type Vehicle = { 
/**
 * Vehicle identification number, where a module reports one.
 */
vin: string | null, 
/**
 * Name of the network.
 */
protocol: string | null, 
/**
 * What is odd about the VIN, such as its check digit, or that a module tells another one.
 */
vin_notes: Array<string>, 
/**
 * As the VIN says it.
 */
model_year: number | null, 
/**
 * What the adapter says of itself.
 */
adapter: string, 
/**
 * At the connector, V.
 */
supply_volts: number | null, };

export type Verified = { 
/**
 * The case.
 */
case: Case, 
/**
 * Whether nothing speaks against the ledger and its files.
 */
sound: boolean, 
/**
 * What is wrong, one sentence each.
 */
problems: Array<string>, 
/**
 * Files that were held against their checksums.
 */
n_files: number, };

export type Watchlist = { 
/**
 * Its name.
 */
name: string, 
/**
 * Their names.
 */
signals: Array<string>, };

export type Watchlists = { 
/**
 * By name.
 */
watchlists: Array<Watchlist>, };

export type WheelSpectrum = { 
/**
 * The signal.
 */
signal: string, 
/**
 * How far it was looked at, metres.
 */
metres: number, 
/**
 * Circumference of the strongest line that may be one turn, metres.
 */
circumference_m: number, 
/**
 * Repetitions per metre.
 */
per_m: Array<number>, 
/**
 * Size of the error that repeats so often, percent of the speed.
 */
percent: Array<number>, };

export type Wheels = { 
/**
 * Size that sound rings show, percent.
 */
tolerance_percent: number, 
/**
 * One turn of a wheel lies between these, repetitions per metre.
 */
turn_per_m: [number, number], 
/**
 * One per wheel that rolled far enough.
 */
spectra: Array<WheelSpectrum>, };

export type Workbench = { 
/**
 * Address of its first page.
 */
url: string, };

export type JsonValue = number | string | boolean | Array<JsonValue> | { [key in string]: JsonValue } | null;

export type Role = "holder" | "onlooker" | "guest";

export type ClientJson = { id: number, 
/**
 * The name it gave itself.
 */
name: string, role: Role, 
/**
 * Whether it sits at the machine itself.
 */
is_bench: boolean, 
/**
 * Whether its page is open now.
 */
is_here: boolean, };

export type PeopleJson = { clients: Array<ClientJson>, holder: number | null, 
/**
 * Who asks the holder for the car.
 */
asked_by: number | null, };

export type StateJson = { 
/**
 * The client that is told.
 */
me: number, people: PeopleJson, car: CarJson, 
/**
 * Where phones reach the workbench; null while the network is closed.
 */
network: string | null, 
/**
 * Counts up whenever something was written into a case.
 */
ledger: number, };

export type FailureJson = { 
/**
 * What happened, one sentence.
 */
message: string, 
/**
 * What to try, one sentence each.
 */
hints: Array<string>, };

export type FromPage = { "type": "watch", signals: Array<number> | null, every_ms: number, } | { "type": "seen", frame: number, } | { "type": "hold", press: number, beat: number, } | { "type": "let_go" };

export type ToPage = { "type": "state" } & StateJson | { "type": "beat", beat: number, };

export type SessionJson = { id: number, 
/**
 * Whether it is open at the machine itself, and may so invite others and change settings.
 */
is_bench: boolean, may_hold: boolean, 
/**
 * Program and version.
 */
software: string, 
/**
 * Whether it can write reports as PDF.
 */
has_pdf: boolean, };

export type JoinJson = { code: string, 
/**
 * What others see it as.
 */
name: string, };

export type InviteJson = { 
/**
 * Whether whoever joins may hold the car.
 */
may_hold: boolean, };

export type InvitationJson = { code: string, 
/**
 * What the picture says: the workbench's address with the code behind it.
 */
url: string, 
/**
 * The QR code row by row, `1` for a dark square.
 */
qr: Array<string>, lasts_s: number, };

export type HandOverJson = { 
/**
 * Who gets the car; null for nobody.
 */
to: number | null, };

export type RenameJson = { name: string, };

export type TakenJson = { taken: boolean, };

export type DriveJson = { 
/**
 * What it is asked for by.
 */
id: string, 
/**
 * Size of its file.
 */
bytes: number, 
/**
 * When its file was last written, seconds since 1970-01-01 UTC.
 */
written_unix_s: number, };

export type ExaminedJson = { 
/**
 * Each finding in plain words of the reader's language.
 */
plain: Array<string>, 
/**
 * The drive.
 */
drive: DriveSummary, 
/**
 * The strongest evidence for a fault first.
 */
findings: Array<Finding>, 
/**
 * What could not be read of the drive.
 */
problems: Array<string>, 
/**
 * The case that it belongs to; null when it belongs to none.
 */
case: CaseRef | null, };

export type Stage = "empty" | "connecting" | "ready" | "surveying" | "clearing" | "planning" | "recording" | "commanding";

export type CarJson = { stage: Stage, 
/**
 * Address of the adapter, of the connection that is or was tried last.
 */
adapter: string | null, 
/**
 * What has been done so far of what is going on, one line each.
 */
steps: Array<string>, 
/**
 * Why what was tried last did not work.
 */
failure: FailureJson | null, vehicle: ConnectedJson | null, 
/**
 * The drive that is being recorded, or was recorded last.
 */
recording: RecordingJson | null, 
/**
 * The command that goes on, or was given last.
 */
command: CommandJson | null, 
/**
 * Codes that can be cleared now, or were just now.
 */
clearing: ClearingJson | null, 
/**
 * How many surveys and drives this program has completed: a page that sees it change asks for the lists again.
 */
n_done: number, };

export type ConnectedJson = { vin: string | null, 
/**
 * Name of the network.
 */
protocol: string | null, 
/**
 * What the adapter says of itself.
 */
adapter: string, 
/**
 * Addresses of the modules that answered.
 */
modules: Array<string>, };

export type RecordingJson = { 
/**
 * Number of the feed that its samples come in.
 */
feed: number, 
/**
 * What is recorded, in the order in which samples number it.
 */
signals: Array<PlannedSignal>, 
/**
 * How long it is, seconds.
 */
t_s: number, n_samples: number, marks: Array<Mark>, 
/**
 * What happened on the way, the newest last.
 */
notes: Array<Mark>, 
/**
 * Space left where it is written, bytes; null where the system does not say.
 */
disk_left: number | null, 
/**
 * What it is asked for by once it is over.
 */
drive: string | null, 
/**
 * What was lost.
 */
problems: Array<string>, };

export type CommandJson = { 
/**
 * The output or routine.
 */
id: string, 
/**
 * The client that may press.
 */
client: number, 
/**
 * Whether somebody presses.
 */
is_pressed: boolean, 
/**
 * How it went, once it is over; the drive itself stands in the recording.
 */
done: Commanded | null, };

export type NewCaseJson = { complaint: string, conditions: Conditions, vehicle: CaseVehicle, mileage_km: number | null, };

export type EntryJson = { "kind": "note", text: string, } | { "kind": "pin", 
/**
 * What the drive is asked for by.
 */
drive: string, t_s: number, 
/**
 * Null for a moment.
 */
to_s: number | null, text: string, } | { "kind": "healthy", 
/**
 * What the drive is asked for by.
 */
drive: string, model: string, text: string, } | { "kind": "decision", text: string, reason: string, } | { "kind": "tested", area: string, test: string, is_yes: boolean, } | { "kind": "repaired", area: string, suspect: string, helped: boolean, } | { "kind": "swap", part: string, from: number, to: number, } | { "kind": "swap-undone", mistaken: boolean, } | { "kind": "replaced", part: string, at: number | null, text: string, } | { "kind": "correction", of: number, reason: string, } | { "kind": "closed", outcome: string, };

export type ConnectJson = { 
/**
 * Address of the adapter.
 */
adapter: string, };

export type RecordJson = { 
/**
 * Signals by name.
 */
signals: Array<string>, 
/**
 * How long; null: until it is stopped.
 */
seconds: number | null, };

export type ChangeJson = { 
/**
 * Signals by name.
 */
signals: Array<string>, };

export type MarkJson = { 
/**
 * May be empty.
 */
text: string, };

export type CommandWishJson = { 
/**
 * The output or routine.
 */
id: string, how: HowJson, 
/**
 * Signals recorded beside it; none: its own state and what ought to respond.
 */
signals: Array<string>, 
/**
 * Whether somebody has read the cautions.
 */
cautions_read: boolean, };

export type HowJson = { "kind": "hold", level: number | null, } | { "kind": "pulses", level: number | null, on_s: number, off_s: number, count: number, } | { "kind": "routine", parameters: Array<[string, number]>, };

export type ClearJson = { 
/**
 * Modules by address.
 */
modules: Array<string>, 
/**
 * Whether somebody has read what will be lost.
 */
costs_read: boolean, 
/**
 * Whether somebody sees that the car stands still with its engine off, for a car that does not tell.
 */
stands: boolean, 
/**
 * Whether modules are meant too that may have codes which nobody has read.
 */
unread: boolean, };

export type ClearingJson = { 
/**
 * Addresses of the modules that can be told to clear.
 */
modules: Array<string>, 
/**
 * What each would lose; one that would lose nothing, and was read without trouble, is left out.
 */
costs: Array<ClearingCost>, 
/**
 * How it went, once it is done.
 */
done: Cleared | null, };

export type AdapterJson = { address: string, 
/**
 * Whether it is the invented car.
 */
is_invented: boolean, };

export type ShopJson = { name: string, 
/**
 * Address and telephone.
 */
lines: Array<string>, 
/**
 * Whether there is a picture; `false` on saving takes it away.
 */
has_logo: boolean, };

export type StorageJson = { folder: string, 
/**
 * How many drives there are, and how large they are together.
 */
n_drives: number, drive_bytes: number, 
/**
 * Everything that is kept.
 */
all_bytes: number, 
/**
 * Space left; null where the system does not say.
 */
disk_left: number | null, };

export type DefinitionJson = { 
/**
 * Its name in the folder.
 */
name: string, 
/**
 * What it offers; null when it cannot be read any more.
 */
offers: DefinitionsChecked | null, 
/**
 * Why it cannot be read.
 */
problem: string | null, };
