//! The computer's own Bluetooth. Its runtime lives on one thread per connection, which ends with it.

use std::future::Future;
use std::io::{Error, ErrorKind};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, channel, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use btleplug::api::{
    Central, CentralEvent, CentralState, CharPropFlags, Manager as _, Peripheral as _, ScanFilter, WriteType,
};
use btleplug::platform::{Adapter, Manager, Peripheral};
use futures_util::StreamExt;
use tokio::time::{sleep, timeout};

use super::{Characteristic, Connection, Nearby, Radio};

/// How long a device may take to be seen, once a second or so being the slowest usual pace of its calls.
const SCAN_LIMIT: Duration = Duration::from_secs(8);
/// Connecting and reading what the device offers.
const CONNECT_LIMIT: Duration = Duration::from_secs(10);
/// One question to a connected device, and the wish to part from it.
const ASK_LIMIT: Duration = Duration::from_secs(2);
const LOOK_EVERY: Duration = Duration::from_millis(200);

/// Reaches one device by the computer's own Bluetooth.
#[derive(Debug)]
pub struct SystemRadio {
    device: String,
}

impl SystemRadio {
    /// `device`: address or name, as it stands behind `at+ble://`.
    #[must_use]
    pub fn new(device: &str) -> Self {
        Self { device: device.to_owned() }
    }
}

impl Radio for SystemRadio {
    fn connect(&mut self) -> std::io::Result<Box<dyn Connection>> {
        let device = self.device.clone();
        let (opened, open) = sync_channel(1);
        let (ask, asked) = tokio::sync::mpsc::channel(1);
        let (hear, heard) = channel();
        let thread = on_own_thread(move || live(device, opened, asked, hear))?;
        match open.recv() {
            Ok(Ok((offered, longest_piece))) => {
                Ok(Box::new(SystemConnection { offered, longest_piece, ask: Some(ask), heard, thread: Some(thread) }))
            }
            Ok(Err(error)) => Err(error),
            Err(_) => Err(Error::other("the Bluetooth thread ended early")),
        }
    }
}

/// A question to the thread, with the place for its answer.
struct Ask {
    characteristic: usize,
    what: Wish,
    done: SyncSender<std::io::Result<()>>,
}

enum Wish {
    Listen,
    Write { piece: Vec<u8>, kind: WriteType },
}

struct SystemConnection {
    offered: Vec<Characteristic>,
    longest_piece: usize,
    /// `None` only while it is being dropped.
    ask: Option<tokio::sync::mpsc::Sender<Ask>>,
    heard: Receiver<Vec<u8>>,
    thread: Option<JoinHandle<()>>,
}

impl SystemConnection {
    fn ask(&self, characteristic: usize, what: Wish) -> std::io::Result<()> {
        let gone = || Error::from(ErrorKind::NotConnected);
        let (done, answer) = sync_channel(1);
        let ask = self.ask.as_ref().ok_or_else(gone)?;
        ask.blocking_send(Ask { characteristic, what, done }).map_err(|_| gone())?;
        answer.recv().map_err(|_| gone())?
    }
}

impl Connection for SystemConnection {
    fn offered(&self) -> &[Characteristic] {
        &self.offered
    }

    fn listen(&mut self, characteristic: usize) -> std::io::Result<()> {
        self.ask(characteristic, Wish::Listen)
    }

    fn longest_piece(&self) -> usize {
        self.longest_piece
    }

    fn write(&mut self, characteristic: usize, piece: &[u8], is_confirmed: bool) -> std::io::Result<()> {
        let kind = if is_confirmed { WriteType::WithResponse } else { WriteType::WithoutResponse };
        self.ask(characteristic, Wish::Write { piece: piece.to_vec(), kind })
    }

    fn notified(&mut self, left: Duration) -> std::io::Result<Option<Vec<u8>>> {
        match self.heard.recv_timeout(left) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(RecvTimeoutError::Disconnected) => Err(ErrorKind::NotConnected.into()),
        }
    }
}

impl Drop for SystemConnection {
    fn drop(&mut self) {
        // Without its questions the thread parts from the device and ends; the next connection must not meet this one.
        self.ask = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// Devices that say they are there within `listening`.
pub(super) fn nearby(listening: Duration) -> std::io::Result<Vec<Nearby>> {
    let look = async move {
        let mut found = Vec::new();
        for radio in radios().await? {
            radio.start_scan(ScanFilter::default()).await.map_err(io)?;
            sleep(listening).await;
            let peripherals = radio.peripherals().await.map_err(io);
            let _ = radio.stop_scan().await;
            for peripheral in peripherals? {
                let seen = seen(&peripheral).await;
                // The system also remembers devices that are not here now: those have no signal.
                if seen.signal_dbm.is_some() {
                    found.push(seen);
                }
            }
        }
        Ok(found)
    };
    let (tell, told) = sync_channel(1);
    on_own_thread(move || async move {
        let found = timeout(listening * 2 + SCAN_LIMIT, look).await.unwrap_or_else(|_| Err(ErrorKind::TimedOut.into()));
        let _ = tell.send(found);
    })?;
    told.recv().unwrap_or_else(|_| Err(Error::other("the Bluetooth thread ended early")))
}

/// Runs one future to its end on a thread with a runtime of its own.
fn on_own_thread<F, W>(work: W) -> std::io::Result<JoinHandle<()>>
where
    F: Future<Output = ()>,
    W: FnOnce() -> F + Send + 'static,
{
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    std::thread::Builder::new().name("bluetooth".to_owned()).spawn(move || runtime.block_on(work()))
}

type Opened = std::io::Result<(Vec<Characteristic>, usize)>;

/// Life of one connection: connect, tell what is offered, then answer questions and pass on notifications.
///
/// It ends when nobody asks any more or when the device is gone; dropping `hear` then tells the other side.
async fn live(
    device: String,
    opened: SyncSender<Opened>,
    mut asked: tokio::sync::mpsc::Receiver<Ask>,
    hear: std::sync::mpsc::Sender<Vec<u8>>,
) {
    let (radio, peripheral) = match find(&device).await {
        Ok(found) => found,
        Err(error) => {
            let _ = opened.send(Err(error));
            return;
        }
    };
    let prepare = async {
        // Asked for first, so that nothing falls between.
        let events = radio.events().await?;
        peripheral.connect().await?;
        peripheral.discover_services().await?;
        Ok::<_, btleplug::Error>((events, peripheral.notifications().await?))
    };
    let prepared = timeout(CONNECT_LIMIT, prepare).await;
    match prepared.map_err(|_| ErrorKind::TimedOut.into()).and_then(|prepared| prepared.map_err(io)) {
        Err(error) => {
            // Before the other side may try anew.
            let _ = timeout(ASK_LIMIT, peripheral.disconnect()).await;
            let _ = opened.send(Err(error));
        }
        Ok((mut events, mut notifications)) => {
            let characteristics: Vec<_> = peripheral.characteristics().into_iter().collect();
            let offered = characteristics.iter().map(ability).collect();
            // Three bytes of each packet are operation code and handle.
            let longest_piece = usize::from(peripheral.mtu()).saturating_sub(3);
            let _ = opened.send(Ok((offered, longest_piece)));
            let mut listened = None;
            loop {
                // What came before a loss is passed on before the loss is.
                tokio::select! {
                    biased;
                    notification = notifications.next() => {
                        let Some(notification) = notification else { break };
                        if listened == Some((notification.service_uuid, notification.uuid)) {
                            let _ = hear.send(notification.value);
                        }
                    }
                    ask = asked.recv() => {
                        let Some(Ask { characteristic, what, done }) = ask else { break };
                        let Some(chosen) = characteristics.get(characteristic) else { break };
                        let answer = match &what {
                            Wish::Listen => {
                                listened = Some((chosen.service_uuid, chosen.uuid));
                                timeout(ASK_LIMIT, peripheral.subscribe(chosen)).await
                            }
                            Wish::Write { piece, kind } => {
                                timeout(ASK_LIMIT, peripheral.write(chosen, piece, *kind)).await
                            }
                        };
                        let answer = answer.map_err(|_| ErrorKind::TimedOut.into());
                        let _ = done.send(answer.and_then(|answer| answer.map_err(io)));
                    }
                    event = events.next() => match event {
                        Some(CentralEvent::DeviceDisconnected(id)) if id == peripheral.id() => break,
                        None | Some(CentralEvent::StateUpdate(CentralState::PoweredOff)) => break,
                        Some(_) => {}
                    },
                }
            }
            let _ = timeout(ASK_LIMIT, peripheral.disconnect()).await;
        }
    }
}

/// The computer's radios, each switched on.
async fn radios() -> std::io::Result<Vec<Adapter>> {
    let manager = Manager::new().await.map_err(io)?;
    let radios = manager.adapters().await.map_err(io)?;
    if radios.is_empty() {
        return Err(Error::new(ErrorKind::NotConnected, "this computer has no Bluetooth radio"));
    }
    let mut ready = Vec::new();
    for radio in radios {
        if radio.adapter_state().await.map_err(io)? != CentralState::PoweredOff {
            ready.push(radio);
        }
    }
    if ready.is_empty() {
        return Err(Error::new(ErrorKind::NotConnected, "Bluetooth is switched off"));
    }
    Ok(ready)
}

/// Looks for the device on all radios, among those that the system knows already and then in the air.
async fn find(device: &str) -> std::io::Result<(Adapter, Peripheral)> {
    let late = |_| Error::from(ErrorKind::TimedOut);
    let radios = timeout(CONNECT_LIMIT, radios()).await.map_err(late)??;
    let look = async {
        for radio in &radios {
            if let Some(peripheral) = known(radio, device).await? {
                return Ok((radio.clone(), peripheral));
            }
        }
        for radio in &radios {
            radio.start_scan(ScanFilter::default()).await.map_err(io)?;
        }
        loop {
            sleep(LOOK_EVERY).await;
            for radio in &radios {
                if let Some(peripheral) = known(radio, device).await? {
                    return Ok((radio.clone(), peripheral));
                }
            }
        }
    };
    let unseen = |_| Error::new(ErrorKind::NotFound, "no such device is in reach");
    let found = timeout(SCAN_LIMIT, look).await.map_err(unseen);
    for radio in &radios {
        // Connecting while looking for others is slow, and fails on some radios. Not looking any more is no error.
        let _ = timeout(ASK_LIMIT, radio.stop_scan()).await;
    }
    found?
}

async fn known(radio: &Adapter, device: &str) -> std::io::Result<Option<Peripheral>> {
    for peripheral in radio.peripherals().await.map_err(io)? {
        let seen = seen(&peripheral).await;
        if seen.device.eq_ignore_ascii_case(device) || seen.name.as_deref() == Some(device) {
            return Ok(Some(peripheral));
        }
    }
    Ok(None)
}

async fn seen(peripheral: &Peripheral) -> Nearby {
    let properties = peripheral.properties().await.ok().flatten().unwrap_or_default();
    let address = peripheral.address();
    // Where the system keeps addresses to itself, it gives each device an identifier of its own.
    let is_hidden = address == btleplug::api::BDAddr::default();
    let device = if is_hidden { peripheral.id().to_string() } else { address.to_string() };
    Nearby { device, name: properties.local_name, signal_dbm: properties.rssi }
}

fn ability(characteristic: &btleplug::api::Characteristic) -> Characteristic {
    let can = |flag| characteristic.properties.contains(flag);
    Characteristic {
        service: characteristic.service_uuid.as_u128(),
        notifies: can(CharPropFlags::NOTIFY),
        indicates: can(CharPropFlags::INDICATE),
        takes_requests: can(CharPropFlags::WRITE),
        takes_commands: can(CharPropFlags::WRITE_WITHOUT_RESPONSE),
    }
}

fn io(error: btleplug::Error) -> Error {
    use btleplug::Error as Ble;
    let kind = match error {
        Ble::PermissionDenied => ErrorKind::PermissionDenied,
        Ble::DeviceNotFound => ErrorKind::NotFound,
        Ble::NotConnected | Ble::NoAdapterAvailable => ErrorKind::NotConnected,
        Ble::TimedOut(_) => ErrorKind::TimedOut,
        _ => ErrorKind::Other,
    };
    Error::new(kind, error)
}
