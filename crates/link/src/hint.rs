//! What to try after an error.

use std::io::ErrorKind;

use crate::address::Line;
use crate::{AdapterAddress, LinkError, PortError};

impl LinkError {
    /// What to try next, in plain words; `None` when the message says it all.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::Address(_) | Self::Unsendable(_) => return None,
            Self::Port(error) => return error.hint(),
            Self::NotInThisBuild { .. } => {
                "use a release build, or build with the feature that the message names".to_owned()
            }
            Self::AdapterSilent { address, .. } => match line_of(address) {
                Some(Line::Serial { baud: Some(baud), .. }) => format!(
                    "check the plug and the adapter's lamp; if it has power, {baud} baud may be wrong: leave `?baud=` away to try the usual rates"
                ),
                Some(Line::Serial { baud: None, .. }) => {
                    "none of the usual baud rates brought an answer: check the plug, the adapter's lamp and that this is the adapter's port; if it uses another rate, give it as `?baud=N`".to_owned()
                }
                _ => "check that the adapter has power (its lamp) and that no other program is connected to it; then unplug it for ten seconds and try again".to_owned(),
            },
            Self::NotAnAdapter { address, .. } => match line_of(address) {
                Some(Line::Serial { baud: Some(_), .. }) => {
                    "unreadable text usually means a wrong baud rate, or an adapter of the other kind (`at+serial:` or `slcan+serial:`): leave `?baud=` away to try the usual rates".to_owned()
                }
                Some(Line::Serial { .. }) => {
                    "this may be another device's port, an adapter of the other kind (`at+serial:` or `slcan+serial:`), or an unusual baud rate: give it as `?baud=N`".to_owned()
                }
                _ => "check host and port: something else listens there".to_owned(),
            },
            Self::Unreadable { .. } => {
                "the vehicle is awake and answers: try again, as text may have been lost on the way; if it stays, this adapter prints answers in a form of its own, and another adapter will do".to_owned()
            }
            Self::NoVehicle { address, said } if address.starts_with("doip://") && said.contains("TLS") => {
                "give the address as `doip+tls://HOST:3496?ca=FILE`, where the file holds the maker's certificates".to_owned()
            }
            Self::NoVehicle { address, said } if address.starts_with("doip") && said.contains("confirmation") => {
                "connect again and confirm it in the vehicle within 30 s, where its screen or its maker's instructions say".to_owned()
            }
            Self::NoVehicle { .. } => {
                "switch the ignition on (engine may be off), push the plug fully in, wait five seconds and try again".to_owned()
            }
        };
        Some(hint)
    }
}

impl PortError {
    /// What to try next, in plain words; `None` when the message says it all.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        let (address, source) = match self {
            Self::Open { address, source } => (address, source),
            Self::Lost { .. } => {
                return Some("the adapter was unplugged, lost power or went out of range: reconnect it".to_owned());
            }
        };
        match address.parse() {
            Ok(AdapterAddress::At(line) | AdapterAddress::Slcan { line, .. }) => match line {
                Line::Serial { path, .. } => serial_hint(&path, source),
                Line::Tcp { host, port } => tcp_hint(&host, port, source),
            },
            Ok(AdapterAddress::Doip { host, port, trust }) => tcp_hint(&host, port, source)
                .filter(|_| !is_of_trust(source))
                .or_else(|| trust.map(|trust| trust_hint(&trust))),
            Ok(AdapterAddress::SocketCan { interface }) => interface_hint(&interface, source),
            Ok(AdapterAddress::PassThru { library }) => library_hint(&library, source),
            Ok(AdapterAddress::AtBle { device }) => ble_hint(&device, source),
            Err(_) => None,
        }
    }
}

/// Whether a connection came about and was then given up for its certificates.
fn is_of_trust(source: &std::io::Error) -> bool {
    matches!(source.kind(), ErrorKind::InvalidData | ErrorKind::InvalidInput | ErrorKind::UnexpectedEof)
}

fn trust_hint(trust: &crate::Trust) -> String {
    format!(
        "`ca=FILE` names the certificates that are trusted, in PEM form: the maker's that signs its vehicles (here {}); \
         `name=NAME` says for whom the vehicle's own is, if not for the host of the address. If the vehicle's certificate \
         cannot be had from its maker, do not go round it: whoever answers may be somebody else",
        trust.authorities.display()
    )
}

fn ble_hint(device: &str, source: &std::io::Error) -> Option<String> {
    Some(match source.kind() {
        ErrorKind::NotFound | ErrorKind::TimedOut => format!(
            "check that the adapter has power and is near, and that no telephone is connected to it, for then it does not show itself; `witness adapters` lists what is in reach, and {device} must stand there in the same spelling"
        ),
        ErrorKind::NotConnected => {
            "switch Bluetooth on (`bluetoothctl power on`), or plug in a radio for Bluetooth 4.0 or later".to_owned()
        }
        ErrorKind::PermissionDenied => "allow this program to use Bluetooth in the settings of the system".to_owned(),
        ErrorKind::InvalidData => {
            "this is another sort of device, or an adapter for classic Bluetooth: pair that, bind it to a serial port and use `at+serial:`".to_owned()
        }
        _ => "check that the system's Bluetooth service runs (`systemctl status bluetooth`); if the adapter wants a pairing code, pair it in the system's settings first".to_owned(),
    })
}

fn line_of(address: &str) -> Option<Line> {
    match address.parse() {
        Ok(AdapterAddress::At(line) | AdapterAddress::Slcan { line, .. }) => Some(line),
        _ => None,
    }
}

fn library_hint(library: &std::path::Path, source: &std::io::Error) -> Option<String> {
    let shown = library.display();
    Some(match source.kind() {
        ErrorKind::NotFound => {
            format!("{shown} does not exist: install the adapter's software and give the whole path")
        }
        ErrorKind::InvalidData => {
            format!(
                "{shown} cannot be loaded: it must be a pass-thru library with the right word size ({} bit)",
                usize::BITS
            )
        }
        _ => {
            "plug the adapter in, close other programs that use it, and check that its own software finds it".to_owned()
        }
    })
}

fn interface_hint(interface: &str, source: &std::io::Error) -> Option<String> {
    Some(match source.kind() {
        ErrorKind::NotFound => {
            "plug the adapter in; `ip -brief link show type can` lists the CAN interfaces that there are".to_owned()
        }
        ErrorKind::NotConnected => format!(
            "bring it up at the car's bit rate: `sudo ip link set {interface} up type can bitrate 500000` (older cars: 250000)"
        ),
        ErrorKind::PermissionDenied => format!("your user may not use {interface}: ask whoever runs this machine"),
        _ => return None,
    })
}

fn serial_hint(path: &std::path::Path, source: &std::io::Error) -> Option<String> {
    let shown = path.display();
    Some(match source.kind() {
        ErrorKind::PermissionDenied => match group_of(path) {
            Some(group) => format!(
                "your user may not use {shown}: run `sudo usermod -aG {group} \"$USER\"`, log out and in again; for now `sudo chmod o+rw {shown}` also does"
            ),
            None => format!("your user may not use {shown}: ask for permission to read and write it"),
        },
        ErrorKind::ResourceBusy => format!("another program uses {shown}: close it (`fuser {shown}` names it)"),
        ErrorKind::NotFound => {
            format!("{shown} does not exist: plug the adapter in and look at `ls /dev/serial/by-id`")
        }
        // What a path that is no terminal answers to terminal settings.
        _ if source.raw_os_error() == Some(25) => format!("{shown} is not a serial port"),
        _ => return None,
    })
}

fn tcp_hint(host: &str, port: u16, source: &std::io::Error) -> Option<String> {
    Some(match source.kind() {
        ErrorKind::ConnectionRefused => {
            format!(
                "{host} is there, but nothing listens on port {port}: check the port; many adapters allow one connection only"
            )
        }
        ErrorKind::TimedOut | ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => {
            format!("{host} does not answer: join the adapter's wireless network, check the address")
        }
        _ if source.raw_os_error().is_none() => {
            format!("the name `{host}` was not found: check it, or give the address in digits")
        }
        _ => return None,
    })
}

/// Name of the group that owns a device node, where its members may use it.
#[cfg(unix)]
fn group_of(path: &std::path::Path) -> Option<String> {
    use std::os::unix::fs::MetadataExt;
    let node = std::fs::metadata(path).ok().filter(|node| node.mode() & 0o060 == 0o060)?;
    let id = node.gid().to_string();
    let groups = std::fs::read_to_string("/etc/group").ok()?;
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1) == Some(id.as_str())).then(|| name.to_owned())
    })
}

#[cfg(not(unix))]
fn group_of(_path: &std::path::Path) -> Option<String> {
    None
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn a_missing_permission_names_the_group() {
        // Any device node whose group may use it; the usual one belongs to the terminals.
        let Some(group) = group_of(std::path::Path::new("/dev/ptmx")) else {
            eprintln!("skipped: /dev/ptmx is missing here, or its group may not use it");
            return;
        };
        let source = ErrorKind::PermissionDenied.into();
        let error = PortError::Open { address: "at+serial:/dev/ptmx".to_owned(), source };
        let hint = LinkError::from(error).hint().unwrap_or_default();
        assert!(hint.contains(&format!("sudo usermod -aG {group} \"$USER\"")), "{hint}");
    }

    #[test]
    fn what_the_system_says_of_a_host_becomes_advice() {
        for (kind, part) in [
            (ErrorKind::ConnectionRefused, "nothing listens on port 4077"),
            (ErrorKind::TimedOut, "does not answer"),
            (ErrorKind::NotFound, "was not found"),
        ] {
            let error = PortError::Open { address: "at+tcp://adapter:4077".to_owned(), source: kind.into() };
            assert!(error.hint().is_some_and(|hint| hint.contains(part)), "{kind}: {:?}", error.hint());
        }
    }
}
