//! Adapter addresses as the user writes them.

use std::path::PathBuf;
use std::str::FromStr;

use crate::Trust;

/// Where a byte stream comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Line {
    /// `+tcp://HOST:PORT`
    Tcp {
        /// Name or address; IPv6 addresses without brackets.
        host: String,
        /// TCP port.
        port: u16,
    },
    /// `+serial:PATH?baud=N`
    Serial {
        /// Device node (or `COM3`), a pseudo-terminal included.
        path: PathBuf,
        /// Line rate in baud; `None`: try the usual ones.
        baud: Option<u32>,
    },
}

impl Line {
    /// How to open it; `address`: what the user wrote, for messages.
    #[must_use]
    pub fn dial(&self, address: &str) -> Box<dyn crate::Dial> {
        match self {
            Self::Tcp { host, port } => Box::new(crate::TcpDial::new(host, *port, address)),
            Self::Serial { path, baud } => Box::new(crate::SerialDial::new(path, *baud, address)),
        }
    }
}

/// Where an adapter is and what it speaks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AdapterAddress {
    /// `at+serial:` and `at+tcp://`: an AT-command adapter.
    At(Line),
    /// `at+ble://ADDRESS`: an AT-command adapter over Bluetooth low energy.
    AtBle {
        /// Address or name of the device.
        device: String,
    },
    /// `slcan+serial:` and `slcan+tcp://`: a serial-line CAN adapter.
    Slcan {
        /// Where it is.
        line: Line,
        /// `filter=diagnostics`: whether only frames of diagnostics pass it.
        is_filtered: bool,
    },
    /// `socketcan:IFACE`: a Linux CAN interface.
    SocketCan {
        /// Its name, such as `can0`.
        interface: String,
    },
    /// `doip://HOST:PORT` and `doip+tls://HOST:PORT?ca=FILE&name=NAME`: diagnostics over IP.
    Doip {
        /// Name or address; IPv6 addresses without brackets.
        host: String,
        /// TCP port.
        port: u16,
        /// Whom to trust on a secured connection; `None`: a plain one.
        trust: Option<Trust>,
    },
    /// `passthru:LIBRARY`: a pass-thru library (SAE J2534).
    PassThru {
        /// The shared library.
        library: PathBuf,
    },
}

/// Why a text is not an adapter address.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AddressError {
    /// No or an unknown scheme.
    #[error("`{text}` is not an adapter address: it must begin with one of {}", FORMS.map(|form| format!("`{form}`")).join(", "))]
    Scheme {
        /// The text, escaped.
        text: String,
    },
    /// Host or port are missing.
    #[error("`{text}`: host and port are needed, such as `{scheme}192.168.1.50:{port}` ({problem})")]
    HostPort {
        /// The text, escaped.
        text: String,
        /// The beginning of such addresses.
        scheme: &'static str,
        /// A usual port.
        port: u16,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// What stands behind the scheme is missing or cannot be.
    #[error("`{text}`: {what} is needed, such as `{example}`")]
    Missing {
        /// The text, escaped.
        text: String,
        /// What is missing.
        what: &'static str,
        /// A whole address.
        example: &'static str,
    },
    /// An option that does not exist, or a value that does not fit.
    #[error("`{text}`: the option `{option}` is not {wanted}")]
    Option {
        /// The text, escaped.
        text: String,
        /// The option as written.
        option: String,
        /// What there is.
        wanted: &'static str,
    },
}

/// All forms of an address, for messages and help.
pub const FORMS: [&str; 9] = [
    "at+serial:PATH?baud=N",
    "at+tcp://HOST:PORT",
    "at+ble://ADDRESS",
    "slcan+serial:PATH?baud=N",
    "slcan+tcp://HOST:PORT",
    "socketcan:IFACE",
    "doip://HOST:PORT",
    "doip+tls://HOST:PORT?ca=FILE",
    "passthru:LIBRARY",
];

impl FromStr for AdapterAddress {
    type Err = AddressError;

    fn from_str(address: &str) -> Result<Self, AddressError> {
        let whole = Whole(address.escape_debug().to_string());
        let behind = |scheme: &str| address.strip_prefix(scheme);
        if let Some(rest) = behind("at+tcp://") {
            let (host, port) = whole.host_port(rest, "at+tcp://", 4077)?;
            Ok(Self::At(Line::Tcp { host, port }))
        } else if let Some(rest) = behind("slcan+tcp://") {
            let (rest, is_filtered) = filtered(rest);
            let (host, port) = whole.host_port(&rest, "slcan+tcp://", 4078)?;
            Ok(Self::Slcan { line: Line::Tcp { host, port }, is_filtered })
        } else if let Some(rest) = behind("doip://") {
            let (host, port) = whole.host_port(rest, "doip://", 13400)?;
            Ok(Self::Doip { host, port, trust: None })
        } else if let Some(rest) = behind("doip+tls://") {
            let (place, options) = rest.split_once('?').unwrap_or((rest, ""));
            let (host, port) = whole.host_port(place, "doip+tls://", 3496)?;
            Ok(Self::Doip { host, port, trust: Some(whole.trust(options)?) })
        } else if let Some(rest) = behind("at+serial:") {
            Ok(Self::At(whole.serial(rest, "at+serial:/dev/ttyUSB0")?))
        } else if let Some(rest) = behind("slcan+serial:") {
            let (rest, is_filtered) = filtered(rest);
            Ok(Self::Slcan { line: whole.serial(&rest, "slcan+serial:/dev/ttyACM0")?, is_filtered })
        } else if let Some(rest) = behind("at+ble://") {
            let device = whole.some(rest, "the device's address or name", "at+ble://AA:BB:CC:DD:EE:FF")?;
            Ok(Self::AtBle { device })
        } else if let Some(rest) = behind("socketcan:") {
            // The kernel's limit for names, and what would leave the folder of interfaces.
            let rest = if rest.len() < 16 && !rest.contains(['/', '\0']) && rest != ".." { rest } else { "" };
            Ok(Self::SocketCan { interface: whole.some(rest, "an interface", "socketcan:can0")? })
        } else if let Some(rest) = behind("passthru:") {
            let library = whole.some(rest, "the path of a library", "passthru:/usr/lib/libj2534.so")?;
            Ok(Self::PassThru { library: library.into() })
        } else {
            Err(AddressError::Scheme { text: whole.0 })
        }
    }
}

/// Takes the option `filter=diagnostics` out of what stands behind the scheme.
fn filtered(rest: &str) -> (String, bool) {
    let (place, options) = rest.split_once('?').unwrap_or((rest, ""));
    let others: Vec<&str> = options.split('&').filter(|option| *option != FILTER && !option.is_empty()).collect();
    let is_filtered = options.split('&').any(|option| option == FILTER);
    if others.is_empty() {
        (place.to_owned(), is_filtered)
    } else {
        (format!("{place}?{}", others.join("&")), is_filtered)
    }
}

/// Lets a serial-line CAN adapter pass only the frames of diagnostics.
const FILTER: &str = "filter=diagnostics";

/// The whole text, escaped, for messages.
struct Whole(String);

impl Whole {
    fn some(&self, rest: &str, what: &'static str, example: &'static str) -> Result<String, AddressError> {
        if rest.is_empty() {
            return Err(AddressError::Missing { text: self.0.clone(), what, example });
        }
        Ok(rest.to_owned())
    }

    fn host_port(&self, rest: &str, scheme: &'static str, usual: u16) -> Result<(String, u16), AddressError> {
        let wrong = |problem| AddressError::HostPort { text: self.0.clone(), scheme, port: usual, problem };
        let (host, port) = rest.trim_end_matches('/').rsplit_once(':').ok_or_else(|| wrong("no port"))?;
        let port = port.parse().ok().filter(|port| *port > 0).ok_or_else(|| wrong("port is not 1 to 65535"))?;
        let bare = host.strip_prefix('[').and_then(|host| host.strip_suffix(']'));
        let host = bare.unwrap_or(host);
        if host.is_empty() || (bare.is_none() && host.contains(':')) {
            return Err(wrong(if host.is_empty() { "no host" } else { "an IPv6 address goes into brackets" }));
        }
        Ok((host.to_owned(), port))
    }

    /// Nobody is trusted who is not named.
    fn trust(&self, options: &str) -> Result<Trust, AddressError> {
        let (mut authorities, mut name) = (None, None);
        for option in options.split('&').filter(|option| !option.is_empty()) {
            match option.split_once('=') {
                Some(("ca", file)) if !file.is_empty() => authorities = Some(PathBuf::from(file)),
                Some(("name", own)) if !own.is_empty() => name = Some(own.to_owned()),
                _ => {
                    let (text, option) = (self.0.clone(), option.escape_debug().to_string());
                    let wanted = "`ca=FILE` or `name=NAME`";
                    return Err(AddressError::Option { text, option, wanted });
                }
            }
        }
        let what = "a file with the certificates that are trusted";
        let example = "doip+tls://192.168.1.50:3496?ca=maker.pem";
        let authorities = authorities.ok_or_else(|| AddressError::Missing { text: self.0.clone(), what, example })?;
        Ok(Trust { authorities, name })
    }

    fn serial(&self, rest: &str, example: &'static str) -> Result<Line, AddressError> {
        let (path, options) = rest.split_once('?').unwrap_or((rest, ""));
        let path = self.some(path, "a path", example)?;
        let mut baud = None;
        for option in options.split('&').filter(|option| !option.is_empty()) {
            let value = option.strip_prefix("baud=").and_then(|value| value.parse().ok());
            baud = Some(value.filter(|baud| (300..=4_000_000).contains(baud)).ok_or_else(|| AddressError::Option {
                text: self.0.clone(),
                option: option.escape_debug().to_string(),
                wanted: "`baud=N` with N from 300 to 4000000",
            })?);
        }
        Ok(Line::Serial { path: path.into(), baud })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_of_the_command_line() {
        let tcp = |host: &str, port| Ok(AdapterAddress::At(Line::Tcp { host: host.to_owned(), port }));
        let serial = |path: &str, baud| Ok(AdapterAddress::At(Line::Serial { path: PathBuf::from(path), baud }));
        assert_eq!("at+tcp://localhost:4077".parse(), tcp("localhost", 4077));
        assert_eq!("at+tcp://[::1]:1".parse(), tcp("::1", 1));
        assert_eq!("at+serial:/dev/ttyUSB0?baud=115200".parse(), serial("/dev/ttyUSB0", Some(115_200)));
        assert_eq!("at+serial:/dev/pts/3".parse(), serial("/dev/pts/3", None));
        assert_eq!("at+serial:COM3".parse(), serial("COM3", None));
        let line = Line::Serial { path: PathBuf::from("/dev/ttyACM0"), baud: Some(1_000_000) };
        assert_eq!(
            "slcan+serial:/dev/ttyACM0?baud=1000000".parse(),
            Ok(AdapterAddress::Slcan { line: line.clone(), is_filtered: false })
        );
        let filtered = "slcan+serial:/dev/ttyACM0?filter=diagnostics&baud=1000000".parse();
        assert_eq!(filtered, Ok(AdapterAddress::Slcan { line, is_filtered: true }));
        let line = Line::Tcp { host: "localhost".to_owned(), port: 1 };
        assert_eq!(
            "slcan+tcp://localhost:1".parse(),
            Ok(AdapterAddress::Slcan { line: line.clone(), is_filtered: false })
        );
        let filtered = "slcan+tcp://localhost:1?filter=diagnostics".parse();
        assert_eq!(filtered, Ok(AdapterAddress::Slcan { line, is_filtered: true }));
        let can = AdapterAddress::SocketCan { interface: "can0".to_owned() };
        assert_eq!("socketcan:can0".parse(), Ok(can));
        assert_eq!(
            "doip://[fe80::1]:13400".parse(),
            Ok(AdapterAddress::Doip { host: "fe80::1".to_owned(), port: 13400, trust: None })
        );
        let trust = |name: Option<&str>| Trust { authorities: "a/b.pem".into(), name: name.map(str::to_owned) };
        for (text, trust) in [
            ("doip+tls://host:3496?ca=a/b.pem", trust(None)),
            ("doip+tls://host:3496?name=car&ca=a/b.pem", trust(Some("car"))),
        ] {
            let secured = AdapterAddress::Doip { host: "host".to_owned(), port: 3496, trust: Some(trust) };
            assert_eq!(text.parse(), Ok(secured));
        }
        let library = PathBuf::from("./libpass.so");
        assert_eq!("passthru:./libpass.so".parse(), Ok(AdapterAddress::PassThru { library }));
        let device = "AA:BB:CC:DD:EE:FF".to_owned();
        assert_eq!("at+ble://AA:BB:CC:DD:EE:FF".parse(), Ok(AdapterAddress::AtBle { device }));
    }

    #[test]
    fn errors_say_what_is_expected() {
        for (text, part) in [
            ("", "must begin with one of"),
            ("/dev/ttyUSB0", "must begin with one of"),
            ("xyz://a:1", "must begin with one of"),
            ("at+tcp://host", "no port"),
            ("at+tcp://:4077", "no host"),
            ("at+tcp://host:99999", "1 to 65535"),
            ("at+tcp://host:0", "1 to 65535"),
            ("at+tcp://::1:4077", "brackets"),
            ("at+serial:", "a path is needed"),
            ("at+serial:?baud=9600", "a path is needed"),
            ("at+serial:/dev/x?baud=fast", "baud=fast"),
            ("at+serial:/dev/x?speed=9600", "speed=9600"),
            ("at+serial:/dev/x?baud=0", "300 to 4000000"),
            ("slcan+tcp://host", "`slcan+tcp://192.168.1.50:4078`"),
            ("slcan+serial:/dev/x?filter=all", "filter=all"),
            ("socketcan:", "an interface is needed"),
            ("socketcan:../mem", "an interface is needed"),
            ("doip://host", "`doip://192.168.1.50:13400`"),
            ("doip+tls://host:3496", "certificates that are trusted is needed"),
            ("doip+tls://host:3496?ca=", "`ca=FILE`"),
            ("doip+tls://host:3496?ca=x&pin=1", "`pin=1`"),
            ("passthru:", "the path of a library"),
            ("at+ble://", "address or name"),
        ] {
            let error = text.parse::<AdapterAddress>().expect_err(text).to_string();
            assert!(error.contains(part), "{text}: {error}");
        }
    }
}
