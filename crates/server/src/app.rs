//! What all requests share.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::{ConnectInfo, FromRequestParts};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use serde::Serialize;
use tokio::sync::{Semaphore, watch};
use tokio::task::AbortHandle;
use workshop::Workshop;

use crate::access::{Access, Now, PeopleJson, Token, Who};
use crate::bay::{self, Bay, Order};
use crate::failure::Failure;
use crate::shelf::Shelf;
use crate::shown::CarJson;
use crate::stream::feed::Feed;
use crate::{Options, Peer};

/// A handle on everything; cheap to copy.
#[derive(Clone)]
pub(crate) struct App(Arc<Shared>);

struct Shared {
    options: Options,
    port: u16,
    started: Instant,
    /// How long the machine slept since then, milliseconds.
    asleep_ms: AtomicU64,
    access: Mutex<Access>,
    network: Mutex<Option<(SocketAddr, AbortHandle)>>,
    workshop: Workshop,
    bay: Bay,
    feed: Feed,
    shelf: Shelf,
    /// Addresses of adapters that were in reach when somebody looked.
    found: Mutex<BTreeSet<String>>,
    at_work: Arc<Semaphore>,
    at_hard_work: Arc<Semaphore>,
    describing: Mutex<()>,
    weighing: Mutex<()>,
    /// Whether overviews are being made.
    preparing: AtomicBool,
    ledger: AtomicU32,
    n_numbers: AtomicU64,
    /// Counts up whenever something changed that pages show.
    revision: watch::Sender<u64>,
}

/// A file that is gone as soon as nobody needs it any more, unless it was moved away.
pub(crate) struct Draft(PathBuf);

impl Draft {
    pub(crate) fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Draft {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

/// What every open page is told whenever it changes.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct StateJson {
    /// The client that is told.
    pub(crate) me: u32,
    pub(crate) people: PeopleJson,
    pub(crate) car: CarJson,
    /// Where phones reach the workbench; null while the network is closed.
    pub(crate) network: Option<String>,
    /// Counts up whenever something was written into a case.
    pub(crate) ledger: u32,
}

/// How long the end of the program waits for a recording to be closed.
const CLOSING: Duration = Duration::from_secs(10);

/// Most pieces of work at a time that read files or compute, and most of those that hold a drive in memory or compute for
/// long: whoever looks on may ask as often as they like, and it waits.
const AT_WORK: usize = 16;
const AT_HARD_WORK: usize = 3;
/// How long what was left of a file that came in or went out is kept, in case another program still works on it.
const DRAFTS_LAST: Duration = Duration::from_secs(24 * 60 * 60);

/// Throws away what was left in a folder by programs that were killed.
fn forget_drafts(folder: &Path) {
    for draft in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let written = draft.metadata().and_then(|about| about.modified()).ok();
        if written.and_then(|written| written.elapsed().ok()).is_some_and(|age| age > DRAFTS_LAST) {
            let _ = std::fs::remove_file(draft.path());
        }
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // Every change is made whole before the lock is given back, also by a thread that panics afterwards.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl App {
    /// Starts the thread that talks to the car.
    pub(crate) fn start(options: Options, workshop: Workshop, port: u16) -> std::io::Result<Self> {
        forget_drafts(&workshop.places().folder().join("incoming"));
        let (bay, orders) = Bay::new();
        let app = Self(Arc::new(Shared {
            options,
            workshop,
            bay,
            port,
            started: Instant::now(),
            asleep_ms: AtomicU64::new(0),
            access: Mutex::default(),
            network: Mutex::new(None),
            feed: Feed::default(),
            shelf: Shelf::default(),
            found: Mutex::default(),
            at_work: Arc::new(Semaphore::new(AT_WORK)),
            at_hard_work: Arc::new(Semaphore::new(AT_HARD_WORK)),
            describing: Mutex::default(),
            weighing: Mutex::default(),
            preparing: AtomicBool::new(false),
            ledger: AtomicU32::new(0),
            n_numbers: AtomicU64::new(0),
            revision: watch::Sender::new(0),
        }));
        let own = app.clone();
        std::thread::Builder::new().name("bay".to_owned()).spawn(move || bay::work(&own, &orders))?;
        Ok(app)
    }

    pub(crate) fn options(&self) -> &Options {
        &self.0.options
    }

    pub(crate) fn port(&self) -> u16 {
        self.0.port
    }

    pub(crate) fn now(&self) -> Now {
        self.0.started.elapsed() + Duration::from_millis(self.0.asleep_ms.load(Ordering::Relaxed))
    }

    /// The machine slept for so long. Its monotonic clock stood still meanwhile, but over night nobody is remembered.
    pub(crate) fn slept(&self, asleep: Duration) {
        let asleep_ms = u64::try_from(asleep.as_millis()).unwrap_or(u64::MAX >> 1);
        self.0.asleep_ms.fetch_add(asleep_ms, Ordering::Relaxed);
    }

    pub(crate) fn access(&self) -> MutexGuard<'_, Access> {
        lock(&self.0.access)
    }

    pub(crate) fn feed(&self) -> &Feed {
        &self.0.feed
    }

    pub(crate) fn bay(&self) -> &Bay {
        &self.0.bay
    }

    pub(crate) fn workshop(&self) -> &Workshop {
        &self.0.workshop
    }

    /// The workshop in the name of a page.
    pub(crate) fn workshop_of(&self, who: Who) -> Workshop {
        let name = self.access().name_of(who.id);
        self.workshop().clone().by(&name)
    }

    /// Gives the thread that talks to the car an order. What comes of it belongs to the case that is open now: the next
    /// customer's may be opened at the bench while this one's car is still on the road.
    pub(crate) fn order(&self, who: Who, order: Order) -> Result<(), Failure> {
        self.bay().order(order, self.workshop_of(who).from_now_on())
    }

    /// Space left for recordings, bytes.
    pub(crate) fn disk_left(&self) -> Option<u64> {
        self.0.workshop.places().disk_left()
    }

    /// These adapters are in reach.
    pub(crate) fn found_adapters(&self, addresses: impl Iterator<Item = String>) {
        let mut found = lock(&self.0.found);
        found.clear();
        found.extend(addresses);
    }

    /// Whether this adapter was in reach when somebody looked last.
    pub(crate) fn has_found(&self, address: &str) -> bool {
        lock(&self.0.found).contains(address)
    }

    /// What pages bring in or take out, so many bytes, never takes the space that a recording needs.
    pub(crate) fn must_have_room(&self, n_bytes: u64) -> Result<(), Failure> {
        let Some(left) = self.disk_left() else { return Ok(()) };
        let reserve = self.options().reserve;
        let said = if left < reserve {
            format!("only {} MB are left on the disk, which are kept for recordings", left >> 20)
        } else if left - reserve < n_bytes {
            format!("this takes {} MB on the disk, which are kept for recordings", n_bytes >> 20)
        } else {
            return Ok(());
        };
        Err(Failure::new(StatusCode::INSUFFICIENT_STORAGE, said).hint("make room on the disk of the bench"))
    }

    pub(crate) fn must_be_connected(&self) -> Result<(), Failure> {
        if self.0.bay.car().vehicle.is_some() {
            return Ok(());
        }
        Err(Failure::busy("no car is connected").hint("connect to an adapter first, under Start"))
    }

    pub(crate) fn shelf(&self) -> &Shelf {
        &self.0.shelf
    }

    /// Sees to it that these drives open at once, beside everything else, and not while a drive is recorded.
    pub(crate) fn prepare_overviews(&self, drives: Vec<PathBuf>) {
        if self.bay().is_taping() || self.0.preparing.swap(true, Ordering::Acquire) {
            return;
        }
        let app = self.clone();
        tokio::task::spawn_blocking(move || {
            app.complete_overviews(&drives);
            app.0.preparing.store(false, Ordering::Release);
        });
    }

    /// Runs what reads files or computes, without keeping other pages waiting.
    pub(crate) async fn off_thread<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Self) -> Result<T, Failure> + Send + 'static,
    ) -> Result<T, Failure> {
        self.in_turn(&self.0.at_work, work).await
    }

    /// The same for what holds a whole drive or description in memory, or computes for long.
    pub(crate) async fn at_length<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Self) -> Result<T, Failure> + Send + 'static,
    ) -> Result<T, Failure> {
        self.in_turn(&self.0.at_hard_work, work).await
    }

    /// Descriptions of modules are read by one at a time: a packed one may take a gigabyte.
    pub(crate) fn describing(&self) -> MutexGuard<'_, ()> {
        lock(&self.0.describing)
    }

    /// The suspects are weighed for one page at a time: all pages ask as soon as the ledger grew, and only the first of them
    /// finds something to write down.
    pub(crate) fn weighing(&self) -> MutexGuard<'_, ()> {
        lock(&self.0.weighing)
    }

    /// Waits for a place, which is taken until the work is done, also when nobody waits for it any more.
    async fn in_turn<T: Send + 'static>(
        &self,
        places: &Arc<Semaphore>,
        work: impl FnOnce(&Self) -> Result<T, Failure> + Send + 'static,
    ) -> Result<T, Failure> {
        let broke_off =
            |error: &dyn std::fmt::Display| Failure::own(format!("the workbench could not do that: {error}"));
        let place = Arc::clone(places).acquire_owned().await.map_err(|error| broke_off(&error))?;
        let app = self.clone();
        let done = tokio::task::spawn_blocking(move || {
            let _place = place;
            work(&app)
        });
        done.await.unwrap_or_else(|error| Err(broke_off(&error)))
    }

    /// A number that nothing had before.
    pub(crate) fn new_number(&self) -> u64 {
        self.0.n_numbers.fetch_add(1, Ordering::Relaxed)
    }

    /// A place for a file that comes in or goes out.
    pub(crate) fn incoming(&self) -> Result<Draft, Failure> {
        let folder = self.workshop().places().sub("incoming")?;
        Ok(Draft(folder.join(format!("{}-{}", std::process::id(), self.new_number()))))
    }

    /// Tells all pages that a ledger grew.
    pub(crate) fn case_changed(&self) {
        self.0.ledger.fetch_add(1, Ordering::Relaxed);
        self.changed();
    }

    /// Tells all pages that something changed.
    pub(crate) fn changed(&self) {
        self.0.revision.send_modify(|revision| *revision += 1);
    }

    pub(crate) fn changes(&self) -> watch::Receiver<u64> {
        self.0.revision.subscribe()
    }

    pub(crate) fn state(&self, me: u32) -> StateJson {
        StateJson {
            me,
            people: self.access().people(),
            car: self.bay().car(),
            network: lock(&self.0.network).as_ref().map(|(address, _)| format!("http://{address}/")),
            ledger: self.0.ledger.load(Ordering::Relaxed),
        }
    }

    pub(crate) fn network_opened(&self, address: SocketAddr, task: AbortHandle) {
        if let Some((_, before)) = lock(&self.0.network).replace((address, task)) {
            before.abort();
        }
        self.changed();
    }

    pub(crate) fn network_address(&self) -> Option<SocketAddr> {
        lock(&self.0.network).as_ref().map(|(address, _)| *address)
    }

    /// Whether pages that came in at this address of ours are still welcome: it is where the workbench listens, or the
    /// shop's network, while that is open.
    pub(crate) fn listens_at(&self, local: SocketAddr) -> bool {
        let (listen, ip) = (self.options().listen.ip(), local.ip().to_canonical());
        listen.is_unspecified() || ip == listen || self.network_address().is_some_and(|network| ip == network.ip())
    }

    /// Closes the shop's network; pages that came from there end, and whoever joined joins anew.
    pub(crate) fn close_network(&self) {
        if let Some((_, task)) = lock(&self.0.network).take() {
            task.abort();
        }
        self.access().end_network();
        self.changed();
    }

    /// Ends what runs for the pages, and a recording with them: its file is closed.
    pub(crate) fn close(&self) {
        self.bay().stop();
        let began = Instant::now();
        while self.bay().is_taping() && began.elapsed() < CLOSING {
            std::thread::sleep(Duration::from_millis(20));
        }
        self.close_network();
    }

    /// Name of the cookie that carries the token. Browsers do not tell ports apart, so the name does.
    pub(crate) fn cookie_name(&self) -> String {
        format!("witness_{}", self.0.port)
    }

    /// Who the cookies say that it is. Another program on the same machine may have planted one of the same name, which
    /// browsers then send as well, and first: the first that is anybody's counts.
    fn who_in(&self, headers: &HeaderMap) -> Option<Who> {
        let (name, now) = (self.cookie_name(), self.now());
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
        let pairs = cookies.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
        let mut given = pairs.filter(|(key, _)| *key == name).map(|(_, value)| Token::given(value));
        let access = self.access();
        given.find_map(|token| access.who(&token, now))
    }
}

/// Every resource needs to know who asks.
impl FromRequestParts<App> for Who {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Failure> {
        let who = app.who_in(&parts.headers);
        let unknown = || {
            Failure::new(StatusCode::UNAUTHORIZED, "this page has not joined the workbench")
                .hint("type the pairing code that the bench shows under Settings")
        };
        let who = who.ok_or_else(unknown)?;
        // What was admitted at the machine itself is worth nothing elsewhere.
        let peer = parts.extensions.get::<ConnectInfo<Peer>>().map(|info| info.0);
        let is_local = peer.is_some_and(|peer| peer.remote.ip().to_canonical().is_loopback());
        if who.is_bench && !is_local { Err(unknown()) } else { Ok(who) }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::AtomicUsize;

    use super::*;

    impl App {
        /// A workbench without network in a folder of its own, which goes with it.
        pub(crate) fn alone() -> (tempfile::TempDir, Self) {
            let folder = tempfile::tempdir().unwrap();
            let workshop = Workshop::new(workshop::Places::at(folder.path()).unwrap(), "test");
            let app = Self::start(Options::default(), workshop, 0).unwrap();
            (folder, app)
        }
    }

    #[test]
    fn work_of_many_waits_its_turn_also_when_nobody_waits_for_it() {
        let (_folder, app) = App::alone();
        let (now, most, done) = <(AtomicUsize, AtomicUsize, AtomicUsize)>::default();
        let counted = Arc::new((now, most, done));
        let is_open = Arc::new(AtomicBool::new(false));
        let runtime = tokio::runtime::Runtime::new().unwrap();
        runtime.block_on(async {
            let mut asked = Vec::new();
            for _ in 0..60 {
                let (app, counted, is_open) = (app.clone(), Arc::clone(&counted), Arc::clone(&is_open));
                asked.push(tokio::spawn(async move {
                    app.at_length(move |_| {
                        let (now, most, done) = &*counted;
                        most.fetch_max(now.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                        while !is_open.load(Ordering::SeqCst) {
                            std::thread::sleep(Duration::from_millis(1));
                        }
                        now.fetch_sub(1, Ordering::SeqCst);
                        done.fetch_add(1, Ordering::SeqCst);
                        Ok(())
                    })
                    .await
                }));
            }
            while counted.0.load(Ordering::SeqCst) < AT_HARD_WORK {
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
            // Every other one goes away before it has an answer; whose work has begun is worked for to its end.
            asked.iter().step_by(2).for_each(tokio::task::JoinHandle::abort);
            is_open.store(true, Ordering::SeqCst);
            app.at_length(|_| Ok(())).await.unwrap();
        });
        drop(runtime);
        let (_, most, done) = &*counted;
        assert_eq!(most.load(Ordering::SeqCst), AT_HARD_WORK);
        let done = done.load(Ordering::SeqCst);
        assert!((30..=30 + AT_HARD_WORK).contains(&done), "who has gone is not worked for: {done}");
    }

    #[test]
    fn whoever_was_away_while_the_machine_slept_joins_again() {
        let (_folder, app) = App::alone();
        let (_, token) = app.access().admit_bench(app.now());
        assert!(app.access().who(&token, app.now()).is_some());
        app.slept(Duration::from_secs(13 * 60 * 60));
        assert!(app.access().who(&token, app.now()).is_none());
    }

    #[test]
    fn what_a_killed_program_left_of_an_upload_is_gone_the_next_day() {
        let folder = tempfile::tempdir().unwrap();
        let draft = |name: &str, age: Duration| {
            let file = std::fs::File::create(folder.path().join(name)).unwrap();
            file.set_modified(std::time::SystemTime::now() - age).unwrap();
        };
        draft("1-0", 2 * DRAFTS_LAST);
        draft("2-0", DRAFTS_LAST / 2);
        forget_drafts(folder.path());
        let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        assert_eq!(left, ["2-0"]);
    }
}
