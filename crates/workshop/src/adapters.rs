//! What is plugged in or reachable, what it can do, how quick it is, and what to try when it does not answer.

use std::path::Path;
use std::time::Duration;

use link::{AdapterAddress, Line, Link, LinkError, Request, Settings, Target, present};

use crate::{Observer, Workshop, WorkshopError};

/// Round trips that are measured; the median counts.
const N_TRIPS: usize = 5;
/// How long Bluetooth devices are listened for; most call several times in it (common practice, no source).
const BLE_LISTENING: Duration = Duration::from_secs(4);

/// One place to ask, before it was asked.
struct Place {
    /// Addresses to try, most likely first.
    addresses: Vec<String>,
    what: String,
    /// Whether it may be opened without being named: what is only near may be somebody else's.
    is_ours: bool,
}

impl Workshop {
    /// Lists adapters and asks each who it is, all at the same time; with `only` just that one. `ask`: whether anything is
    /// opened at all.
    ///
    /// # Errors
    /// [`WorkshopError::Link`] when `only` is no address.
    pub fn adapters(
        &self,
        only: Option<&str>,
        ask: bool,
        observer: &mut dyn Observer,
    ) -> Result<wire::Adapters, WorkshopError> {
        let mut notes = Vec::new();
        let places = match only {
            Some(address) => {
                if !address.starts_with(crate::car::STANDIN) {
                    address.parse::<AdapterAddress>().map_err(LinkError::from)?;
                }
                vec![Place { addresses: vec![address.to_owned()], what: "as given".to_owned(), is_ours: true }]
            }
            None => found(&mut notes, observer),
        };
        for place in &places {
            observer.say(&format!("{} ({})", place.addresses.join(" or "), place.what));
        }
        let adapters = std::thread::scope(|scope| {
            let asking: Vec<_> = places.iter().map(|place| scope.spawn(|| tried(place, ask))).collect();
            asking
                .into_iter()
                .zip(&places)
                .map(|(asking, place)| asking.join().unwrap_or_else(|_| listed(place, &place.addresses.concat())))
                .collect()
        });
        Ok(wire::Adapters { adapters, notes })
    }
}

/// Everything that the system knows of.
fn found(notes: &mut Vec<String>, observer: &mut dyn Observer) -> Vec<Place> {
    let (sys, dev) = (Path::new("/sys"), Path::new("/dev"));
    let mut places = Vec::new();
    if !sys.join("class/tty").exists() {
        notes.push("this system does not list its serial ports here: give the address with --adapter".to_owned());
    }
    for port in present::serial_ports(sys, dev) {
        let addresses = ["at", "slcan"].map(|kind| format!("{kind}+serial:{}", port.path)).to_vec();
        places.push(Place { addresses, what: port.what, is_ours: true });
    }
    for interface in present::can_interfaces(sys) {
        let addresses = vec![format!("socketcan:{}", interface.name)];
        places.push(Place { addresses, what: interface.what, is_ours: true });
    }
    observer.say("looking for vehicles on the local networks");
    let routes = std::fs::read_to_string("/proc/net/route").unwrap_or_default();
    match present::vehicles(&routes) {
        Ok(vehicles) => places.extend(vehicles.into_iter().map(|vehicle| Place {
            addresses: vec![format!("doip://{}", vehicle.from)],
            what: vehicle.vin().map_or_else(|| "vehicle".to_owned(), |vin| format!("vehicle {vin}")),
            is_ours: true,
        })),
        Err(error) => notes.push(format!("the local networks could not be asked for vehicles: {error}")),
    }
    if places.is_empty() {
        notes.push(
            "nothing is plugged in: connect the adapter; pair a classic Bluetooth adapter first and bind it to a serial port; \
             adapters on a wireless network are reached by --adapter at+tcp://HOST:PORT"
                .to_owned(),
        );
    }
    notes.push(
        "pass-thru libraries and adapters on a wireless network are not found by themselves: give --adapter".to_owned(),
    );
    observer.say("listening for Bluetooth devices");
    match link::ble::nearby(BLE_LISTENING) {
        Ok(devices) => {
            let (named, nameless): (Vec<_>, Vec<_>) = devices.into_iter().partition(|device| device.name.is_some());
            if !nameless.is_empty() {
                notes.push(format!(
                    "{} more Bluetooth devices near here have no name and are not listed",
                    nameless.len()
                ));
            }
            places.extend(named.into_iter().map(near));
        }
        Err(error) => notes.push(format!("Bluetooth low energy: {error}")),
    }
    places
}

fn near(device: link::ble::Nearby) -> Place {
    let signal = device.signal_dbm.map_or_else(String::new, |dbm| format!(", signal {dbm} dBm"));
    Place {
        addresses: vec![format!("at+ble://{}", device.device)],
        what: format!("Bluetooth device `{}`{signal}", device.name.unwrap_or_default()),
        is_ours: false,
    }
}

fn listed(place: &Place, address: &str) -> wire::Adapter {
    wire::Adapter {
        address: address.to_owned(),
        kind: kind_of(address).to_owned(),
        what: place.what.clone(),
        abilities: abilities(address).iter().map(|ability| (*ability).to_owned()).collect(),
        ..wire::Adapter::default()
    }
}

/// Asks each address of a place until one answers; the most telling failure otherwise.
fn tried(place: &Place, ask: bool) -> wire::Adapter {
    let first = place.addresses.first().map_or("", String::as_str);
    if !ask {
        return listed(place, first);
    }
    if !place.is_ours {
        let mut adapter = listed(place, first);
        adapter
            .hints
            .push(format!("if this is your adapter, ask it with --adapter {first}; it may be any other device"));
        return adapter;
    }
    let mut failed: Option<wire::Adapter> = None;
    for address in &place.addresses {
        let mut adapter = listed(place, address);
        match crate::car::open(address, Settings { bus: None, need_vehicle: false }) {
            Ok(mut link) => {
                measured(link.as_mut(), &mut adapter);
                return adapter;
            }
            Err(error) => {
                adapter.problem = Some(error.to_string());
                adapter.hints.extend(error.hint());
                // A port that cannot be opened cannot be opened for the other kind either.
                if matches!(error, WorkshopError::Link(LinkError::Port(_))) {
                    return adapter;
                }
                failed.get_or_insert(adapter);
            }
        }
    }
    failed.unwrap_or_else(|| listed(place, first))
}

fn measured(link: &mut dyn Link, adapter: &mut wire::Adapter) {
    let mut trips: Vec<i64> = (0..N_TRIPS).filter_map(|_| link.round_trip_ns().ok().flatten()).collect();
    adapter.round_trip_ms = median_ms(&mut trips);
    adapter.supply_volts = link.supply_volts().ok().flatten();
    // The first request looks for the vehicle.
    let request = Request { to: Target::Everyone, bytes: vec![0x01, 0x00], n_replies: Some(1) };
    let mut ask = || link.exchange(&request).ok().map(|exchange| (exchange.asked_ns, exchange.replies));
    if ask().is_some() {
        let first = |(asked_ns, replies): (i64, Vec<link::Reply>)| Some(replies.first()?.arrived_ns - asked_ns);
        let mut trips: Vec<i64> = (0..N_TRIPS).filter_map(|_| ask().and_then(first)).collect();
        adapter.vehicle_round_trip_ms = median_ms(&mut trips);
    }
    adapter.answers = true;
    adapter.adapter = Some(link.info().adapter.clone());
    adapter.notes.clone_from(&link.info().notes);
    adapter.network = link.info().bus.map(|bus| bus.to_string());
    if adapter.network.is_none() {
        adapter.problem = Some("the adapter answers, and no vehicle behind it does".to_owned());
        let hint = LinkError::NoVehicle { address: adapter.address.clone(), said: String::new() }.hint();
        adapter.hints.extend(hint);
    }
}

fn median_ms(trips: &mut [i64]) -> Option<f64> {
    trips.sort_unstable();
    trips.get(trips.len() / 2).map(|ns| *ns as f64 / 1e6)
}

fn kind_of(address: &str) -> &'static str {
    match address.parse() {
        Ok(AdapterAddress::At(_) | AdapterAddress::AtBle { .. }) => "AT-command adapter",
        Ok(AdapterAddress::Slcan { .. }) => "serial-line CAN adapter",
        Ok(AdapterAddress::SocketCan { .. }) => "CAN interface",
        Ok(AdapterAddress::Doip { .. }) => "vehicle over IP",
        Ok(AdapterAddress::PassThru { .. }) => "pass-thru library",
        Err(_) => "stand-in",
    }
}

fn abilities(address: &str) -> &'static [&'static str] {
    match address.parse() {
        Ok(AdapterAddress::At(Line::Serial { .. } | Line::Tcp { .. }) | AdapterAddress::AtBle { .. }) => {
            &["CAN", "K-line", "one request at a time", "requests of up to 7 bytes"]
        }
        Ok(AdapterAddress::PassThru { .. }) => {
            &["CAN", "K-line", "several modules at once on CAN", "long requests", "listening to frames"]
        }
        Ok(AdapterAddress::Slcan { is_filtered: true, .. }) => &["CAN", "several modules at once", "long requests"],
        Ok(AdapterAddress::Slcan { .. } | AdapterAddress::SocketCan { .. }) => {
            &["CAN", "several modules at once", "long requests", "listening to frames"]
        }
        Ok(AdapterAddress::Doip { .. }) => &["diagnostics over IP", "several modules at once", "long requests"],
        Err(_) => &["as its face"],
    }
}
