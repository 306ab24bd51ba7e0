//! The car in the bay: one thread that talks to it, and what everybody may see of that.
//!
//! The thread takes one order at a time; it never waits for a page, and a drive goes on when all pages are closed.

use std::panic::AssertUnwindSafe;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use signal::{Sample, SignalId, seconds_from_nanos};
use workshop::{Car, CommandWish, Control, Hand, Observer, Scope, Wish, Workshop, WorkshopError};

use crate::access::{Now, Who};
use crate::app::App;
use crate::clearing::{self, Prepared, Wanted};
use crate::failure::Failure;
use crate::grip::{Grip, Press};
use crate::shown::{CarJson, CommandJson, ConnectedJson, RecordingJson, Stage};

/// Most marks of a drive that pages may set; who drives sets a dozen. Whoever was invited to look on sets none once there
/// are so many that those who work might want for room.
const MAX_MARKS: usize = 1000;
const MAX_MARKS_WITH_GUESTS: usize = 100;

/// What the car is wanted for.
pub(crate) enum Order {
    Connect {
        adapter: String,
    },
    Disconnect,
    Survey,
    Record {
        signals: Vec<SignalId>,
        seconds: Option<f64>,
    },
    /// Prepare a command for a client, which then presses.
    Command {
        wish: Box<CommandWish>,
        client: u32,
    },
    /// Read and save everything that clearing codes would cost.
    PrepareClearing,
    /// Clear codes, right after that.
    Clear(Wanted),
}

/// Most lines of each kind that pages are told.
const MAX_LINES: usize = 40;
/// How often pages are told how long a recording is.
const TELLS_EVERY: Duration = Duration::from_millis(500);

pub(crate) struct Bay {
    orders: Sender<(Order, Workshop)>,
    /// Whether the thread works on an order, or is about to.
    is_busy: AtomicBool,
    car: Mutex<CarJson>,
    control: Mutex<Control>,
    /// The drive that is being recorded.
    tape: Mutex<Option<PathBuf>>,
    grip: Mutex<Grip>,
    /// What the modules of the connected car can be told to do.
    commands: Mutex<wire::Commands>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Bay {
    /// The bay, and the end of its thread that takes the orders; see [`work`].
    pub(crate) fn new() -> (Self, Receiver<(Order, Workshop)>) {
        let (orders, taken) = channel();
        let bay = Self {
            orders,
            is_busy: AtomicBool::new(false),
            car: Mutex::default(),
            control: Mutex::default(),
            tape: Mutex::default(),
            grip: Mutex::default(),
            commands: Mutex::default(),
        };
        (bay, taken)
    }

    pub(crate) fn car(&self) -> CarJson {
        lock(&self.car).clone()
    }

    /// Gives an order, in the name that the workshop has. Errors: the thread is busy with another one.
    pub(crate) fn order(&self, order: Order, workshop: Workshop) -> Result<(), Failure> {
        if self.is_busy.swap(true, Ordering::AcqRel) {
            return Err(Failure::busy("the car is busy with something else").hint("wait until it is done, or stop it"));
        }
        self.orders.send((order, workshop)).map_err(|_| {
            self.is_busy.store(false, Ordering::Release);
            broke_off()
        })
    }

    /// Ends a recording or a command soon.
    pub(crate) fn stop(&self) {
        lock(&self.control).stop();
    }

    /// Records other signals from now on, in the same drive.
    pub(crate) fn change_signals(&self, signals: Vec<SignalId>) -> Result<(), Failure> {
        if lock(&self.car).stage != Stage::Recording {
            return Err(Failure::busy("nothing is being recorded that could be changed"));
        }
        lock(&self.control).record_from_now_on(signals);
        Ok(())
    }

    /// A control for what begins now.
    fn new_control(&self) -> Control {
        let control = Control::default();
        *lock(&self.control) = control.clone();
        control
    }

    /// Whether a recording or a command has not yet closed its file.
    pub(crate) fn is_taping(&self) -> bool {
        lock(&self.car).stage.is_taping()
    }

    /// Whether this file is the drive that is being recorded: what is in it by now is not yet a drive to be judged.
    pub(crate) fn is_on_tape(&self, drive: &Path) -> bool {
        lock(&self.tape).as_deref() == Some(drive)
    }

    /// Does something that records a drive into a new file. Before pages hear of it, the drive is whole.
    fn taping<T>(
        &self,
        workshop: &Workshop,
        work: impl FnOnce(PathBuf) -> Result<T, WorkshopError>,
    ) -> Result<T, WorkshopError> {
        let drive = workshop.new_drive()?;
        *lock(&self.tape) = Some(drive.clone());
        let outcome = work(drive);
        *lock(&self.tape) = None;
        outcome
    }

    /// What the modules of the connected car can be told to do.
    pub(crate) fn commands(&self) -> wire::Commands {
        lock(&self.commands).clone()
    }

    /// Whether a command waits for a press of this client, or is pressed by it.
    pub(crate) fn waits_for(&self, client: u32) -> bool {
        lock(&self.grip).client() == Some(client)
    }

    /// See [`Grip::hold`].
    pub(crate) fn hold(&self, client: u32, press: Press, beat: Now, now: Now) {
        lock(&self.grip).hold(client, press, beat, now);
    }

    /// See [`Grip::let_go`].
    pub(crate) fn let_go(&self, stream: u64) {
        lock(&self.grip).let_go(stream);
    }

    /// A client has closed all its pages: what it could press ends.
    pub(crate) fn leave(&self, client: u32) {
        let mut grip = lock(&self.grip);
        if grip.client() == Some(client) {
            grip.disarm();
        }
    }

    /// Marks the present moment of a recording.
    pub(crate) fn mark(&self, who: Who, text: &str) -> Result<(), Failure> {
        let nothing = || Failure::busy("nothing is being recorded that could be marked");
        if !self.is_taping() {
            return Err(nothing());
        }
        // Every page is told of all marks whenever something changes.
        let most = if who.may_hold { MAX_MARKS } else { MAX_MARKS_WITH_GUESTS };
        if lock(&self.car).recording.as_ref().is_some_and(|recording| recording.marks.len() >= most) {
            return Err(Failure::busy(format!("a drive has at most {most} marks of such pages")));
        }
        // While a drive is closed, read again and written into its case, there is nothing to mark any more.
        if lock(&self.control).mark(text) { Ok(()) } else { Err(nothing()) }
    }
}

/// An order that is worked on; also when the thread breaks off the next one is let through.
struct AtWork<'a>(&'a Bay);

impl Drop for AtWork<'_> {
    fn drop(&mut self) {
        self.0.is_busy.store(false, Ordering::Release);
    }
}

/// What the thread does: takes orders until the workbench is gone. Should it ever break off in one, it begins anew.
pub(crate) fn work(app: &App, orders: &Receiver<(Order, Workshop)>) {
    begin_anew(app, || take_orders(app, orders));
}

/// A fault of ours in talking to one car must not take the workbench from the next. Nothing of the order is left: the car
/// is let go of, and what it drove ends with its session. Locks hold what was there before or after a change.
fn begin_anew(app: &App, mut taking: impl FnMut()) {
    while std::panic::catch_unwind(AssertUnwindSafe(&mut taking)).is_err() {
        {
            *lock(&app.bay().tape) = None;
            let mut shown = lock(&app.bay().car);
            *shown = CarJson { n_done: shown.n_done, failure: Some(broke_off().into()), ..CarJson::default() };
        }
        app.changed();
    }
}

fn broke_off() -> Failure {
    Failure::own("the part of the workbench that talks to the car broke off")
        .hint("connect to the car again; what was recorded up to then is in its file")
}

fn take_orders(app: &App, orders: &Receiver<(Order, Workshop)>) {
    let mut car: Option<Car> = None;
    let mut prepared: Option<Prepared> = None;
    while let Ok((order, workshop)) = orders.recv() {
        let at_work = AtWork(app.bay());
        // Whatever happens after the car was read for clearing, it is not as it was read.
        let before = prepared.take();
        let outcome = match (order, &mut car) {
            (Order::PrepareClearing, Some(car)) => prepare_clearing(app, &workshop, car).map(|it| prepared = Some(it)),
            (Order::Clear(wanted), Some(car)) => clear(app, &workshop, car, before, &wanted),
            (order, car) => {
                lock(&app.bay().car).clearing = None;
                obey(app, &workshop, car, order)
            }
        };
        let mut shown = lock(&app.bay().car);
        // Whoever sees that it is done may give the next order at once.
        drop(at_work);
        shown.stage = if car.is_some() { Stage::Ready } else { Stage::Empty };
        if let Err(error) = outcome {
            shown.failure = Some(Failure::from(error).into());
        }
        drop(shown);
        app.changed();
    }
}

/// Something begins, and pages see it.
fn show_begin(app: &App, stage: Stage) {
    let mut shown = lock(&app.bay().car);
    shown.stage = stage;
    shown.steps.clear();
    shown.failure = None;
    drop(shown);
    app.changed();
}

fn prepare_clearing(app: &App, workshop: &Workshop, car: &mut Car) -> Result<Prepared, WorkshopError> {
    show_begin(app, Stage::Surveying);
    lock(&app.bay().car).clearing = None;
    let (prepared, shown) = clearing::prepare(workshop, car, app.now(), &mut Steps { app })?;
    surveyed(app);
    must_be_in_ledger(app, prepared.survey());
    lock(&app.bay().car).clearing = Some(shown);
    Ok(prepared)
}

fn clear(
    app: &App,
    workshop: &Workshop,
    car: &mut Car,
    prepared: Option<Prepared>,
    wanted: &Wanted,
) -> Result<(), WorkshopError> {
    show_begin(app, Stage::Clearing);
    let cleared = clearing::clear(workshop, car, prepared, wanted, app.now(), &mut Steps { app });
    surveyed(app);
    let mut shown = lock(&app.bay().car);
    // What was read for it is used up, whatever came of it.
    let done = cleared.inspect_err(|_| shown.clearing = None)?;
    if let Some(clearing) = shown.clearing.as_mut() {
        clearing.done = Some(Box::new(done));
    }
    Ok(())
}

/// The ledger may hold more than before.
fn surveyed(app: &App) {
    lock(&app.bay().car).n_done += 1;
    app.case_changed();
}

/// Pages show surveys from the ledger alone: one that could not be written into it would be lost on them.
fn must_be_in_ledger(app: &App, survey: &wire::Survey) {
    if survey.case.is_some() {
        return tell_new_case(&mut lock(&app.bay().car), survey.case.as_ref());
    }
    let why = survey.problems.last().cloned().unwrap_or_default();
    let file = survey.file.as_deref().unwrap_or_default();
    let failure = Failure::own(why).hint(format!("the survey is kept in `{file}`"));
    lock(&app.bay().car).failure = Some(failure.into());
}

/// Nobody opened the case of a car that is not that of the open one: it is told that there is one now.
fn tell_new_case(shown: &mut CarJson, case: Option<&wire::CaseRef>) {
    if let Some(case) = case.filter(|case| case.is_new) {
        push(&mut shown.steps, workshop::opened_in_words(case));
    }
}

fn obey(app: &App, workshop: &Workshop, car: &mut Option<Car>, order: Order) -> Result<(), WorkshopError> {
    let begin = |stage: Stage| show_begin(app, stage);
    match (order, car) {
        (Order::Connect { adapter }, car) => {
            // An adapter takes one connection: the one that is open ends first.
            *car = None;
            {
                let mut shown = lock(&app.bay().car);
                shown.vehicle = None;
                shown.adapter = Some(adapter.clone());
            }
            begin(Stage::Connecting);
            let mut connected = workshop.connect(&adapter, &workshop.definition_files(), &mut Steps { app })?;
            let vin = connected.vehicle.vin()?;
            let info = connected.vehicle.link_info();
            let vehicle = ConnectedJson {
                vin: vin.map(|vin| vin.as_str().to_owned()),
                protocol: info.bus.map(|bus| bus.to_string()),
                adapter: info.adapter.clone(),
                modules: connected.vehicle.modules().iter().map(|module| module.address.to_string()).collect(),
            };
            *lock(&app.bay().commands) = workshop.commands(&mut connected)?;
            lock(&app.bay().car).vehicle = Some(vehicle);
            *car = Some(connected);
        }
        (Order::Disconnect, car) => {
            *car = None;
            let mut shown = lock(&app.bay().car);
            *shown = CarJson { n_done: shown.n_done, ..CarJson::default() };
        }
        (Order::Survey, Some(car)) => {
            begin(Stage::Surveying);
            let survey = workshop.survey(car, Scope::Everything, None, &mut Steps { app })?;
            surveyed(app);
            must_be_in_ledger(app, &survey);
        }
        (Order::Record { signals, seconds }, Some(car)) => {
            // Whoever looks at how a command went is led to its drive, which is no longer the one that is shown.
            lock(&app.bay().car).command = None;
            begin(Stage::Planning);
            let control = app.bay().new_control();
            let mut taping = Taping::new(app, car, Stage::Recording);
            let recorded = app.bay().taping(workshop, |drive| {
                let wish = Wish { seconds, out: Some(drive), ..Wish::of(signals) };
                workshop.record(car, &wish, &control, &mut taping)
            })?;
            taped(app, recorded);
        }
        (Order::Command { wish, client }, Some(car)) => {
            begin(Stage::Planning);
            let control = app.bay().new_control();
            let id = wish.id.to_string();
            lock(&app.bay().car).command = Some(CommandJson { id, client, ..CommandJson::default() });
            lock(&app.bay().grip).arm(client);
            let mut taping = Taping::new(app, car, Stage::Commanding);
            let outcome = app.bay().taping(workshop, |drive| {
                let wish = CommandWish { out: Some(drive), ..*wish };
                workshop.command(car, &wish, &control, &mut taping, &mut || hand(app, client))
            });
            lock(&app.bay().grip).disarm();
            let mut commanded = outcome.inspect_err(|_| lock(&app.bay().car).command = None)?;
            let recorded = std::mem::take(&mut commanded.recorded);
            if let Some(command) = lock(&app.bay().car).command.as_mut() {
                command.is_pressed = false;
                command.done = Some(Box::new(commanded));
            }
            taped(app, recorded);
        }
        (_, _) => {}
    }
    Ok(())
}

/// What the hand on the command of this client does: whoever lost the car lost that too.
fn hand(app: &App, client: u32) -> Hand {
    let holds = app.access().holds(client);
    let mut grip = lock(&app.bay().grip);
    if !holds {
        grip.disarm();
    }
    let hand = grip.hand(app.now());
    drop(grip);
    let is_pressed = hand == Hand::Pressed;
    let mut shown = lock(&app.bay().car);
    let changed = shown
        .command
        .as_mut()
        .is_some_and(|command| std::mem::replace(&mut command.is_pressed, is_pressed) != is_pressed);
    drop(shown);
    if changed {
        app.changed();
    }
    hand
}

/// A drive is complete: pages are told where it is and what was lost.
fn taped(app: &App, recorded: wire::Recorded) {
    let mut shown = lock(&app.bay().car);
    shown.n_done += 1;
    tell_new_case(&mut shown, recorded.case.as_ref());
    if let Some(recording) = shown.recording.as_mut() {
        let file = std::path::Path::new(&recorded.drive.file);
        recording.drive = file.file_stem().map(|stem| stem.to_string_lossy().into_owned());
        recording.t_s = recorded.drive.duration_s;
        recording.problems = recorded.problems;
    }
    drop(shown);
    app.case_changed();
}

/// Tells pages each step.
struct Steps<'a> {
    app: &'a App,
}

impl Observer for Steps<'_> {
    fn say(&mut self, line: &str) {
        push(&mut lock(&self.app.bay().car).steps, line.to_owned());
        self.app.changed();
    }
}

fn push<T>(lines: &mut Vec<T>, line: T) {
    if lines.len() >= MAX_LINES {
        lines.remove(0);
    }
    lines.push(line);
}

/// Hands samples to the feed, and tells pages the rest.
struct Taping<'a> {
    app: &'a App,
    /// When the recording began, for a car whose clock is not the wall's: the invented one would otherwise drive an hour
    /// in some seconds.
    pace: Option<Instant>,
    told: Instant,
    stage: Stage,
}

impl<'a> Taping<'a> {
    fn new(app: &'a App, car: &Car, stage: Stage) -> Self {
        let is_invented = car.adapter.starts_with("standin:");
        Self { app, pace: is_invented.then(Instant::now), told: Instant::now(), stage }
    }

    fn tell(&self, change: impl FnOnce(&mut RecordingJson)) {
        if let Some(recording) = lock(&self.app.bay().car).recording.as_mut() {
            change(recording);
        }
        self.app.changed();
    }
}

impl Observer for Taping<'_> {
    fn say(&mut self, line: &str) {
        Steps { app: self.app }.say(line);
    }

    fn begin(&mut self, signals: &[wire::PlannedSignal]) {
        let feed = self.app.feed().start(signals.len());
        let disk_left = self.app.disk_left();
        let mut shown = lock(&self.app.bay().car);
        shown.stage = self.stage;
        shown.recording =
            Some(RecordingJson { feed, signals: signals.to_vec(), disk_left, ..RecordingJson::default() });
        drop(shown);
        self.pace = self.pace.map(|_| Instant::now());
        self.app.changed();
    }

    fn change(&mut self, signals: &[wire::PlannedSignal]) {
        self.app.feed().extend(signals.len());
        self.tell(|recording| recording.signals = signals.to_vec());
    }

    fn sample(&mut self, signal: usize, sample: Sample) {
        self.app.feed().push(signal, sample.t_ns, sample.value);
        if let Some(recording) = lock(&self.app.bay().car).recording.as_mut() {
            recording.n_samples += 1;
        }
    }

    fn note(&mut self, t_ns: i64, text: &str) {
        let note = wire::Mark { t_s: seconds_from_nanos(t_ns), text: text.to_owned() };
        self.tell(|recording| push(&mut recording.notes, note));
    }

    fn mark(&mut self, t_ns: i64, text: &str) {
        let mark = wire::Mark { t_s: seconds_from_nanos(t_ns), text: text.to_owned() };
        self.tell(|recording| recording.marks.push(mark));
    }

    fn turn(&mut self, t_ns: i64) {
        if let Some(began) = self.pace {
            let passed = Duration::try_from_secs_f64(seconds_from_nanos(t_ns) / self.app.options().pace);
            let ahead = passed.unwrap_or_default().saturating_sub(began.elapsed());
            // A tick of the scheduler is not worth a sleep.
            if ahead > Duration::from_millis(2) {
                std::thread::sleep(ahead.min(Duration::from_millis(100)));
            }
        }
        if self.told.elapsed() >= TELLS_EVERY {
            self.told = Instant::now();
            let disk_left = self.app.disk_left();
            self.tell(|recording| {
                recording.t_s = seconds_from_nanos(t_ns);
                recording.disk_left = disk_left;
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_case_that_nobody_opened_is_told_of() {
        let mut shown = CarJson::default();
        let case = wire::CaseRef { number: 4, entry: 1, is_new: false };
        tell_new_case(&mut shown, Some(&case));
        tell_new_case(&mut shown, None);
        assert!(shown.steps.is_empty());
        tell_new_case(&mut shown, Some(&wire::CaseRef { is_new: true, ..case }));
        assert!(shown.steps[0].contains("case 4"), "{:?}", shown.steps);
    }

    #[test]
    fn a_thread_that_breaks_off_begins_anew_and_says_so() {
        let (_folder, app) = App::alone();
        let mut n_begun = 0;
        begin_anew(&app, || {
            n_begun += 1;
            if n_begun < 3 {
                let mut shown = lock(&app.bay().car);
                *shown = CarJson { stage: Stage::Recording, n_done: 7, ..CarJson::default() };
                // With the lock in hand, as badly as it can end.
                std::panic::resume_unwind(Box::new("something that was not thought of"));
            }
        });
        let shown = app.bay().car();
        assert_eq!((n_begun, shown.stage, shown.n_done), (3, Stage::Empty, 7));
        assert!(shown.failure.unwrap().message.contains("broke off"));
        assert!(!app.bay().is_taping());
    }
}
