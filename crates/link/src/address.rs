//! Adapter addresses as the user writes them.

use std::path::PathBuf;
use std::str::FromStr;

/// Where an adapter is and what it speaks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AdapterAddress {
    /// `at+tcp://HOST:PORT`
    AtTcp {
        /// Name or address; IPv6 addresses without brackets.
        host: String,
        /// TCP port.
        port: u16,
    },
    /// `at+serial:PATH?baud=N`
    AtSerial {
        /// Device node (or `COM3`), a pseudo-terminal included.
        path: PathBuf,
        /// Line rate in baud; `None`: try the usual ones.
        baud: Option<u32>,
    },
}

/// Why a text is not an adapter address.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AddressError {
    /// No or an unknown scheme.
    #[error("`{text}` is not an adapter address: it must begin with one of {}", SCHEMES.join(", "))]
    Scheme {
        /// The text, escaped.
        text: String,
    },
    /// `at+tcp` without host or port.
    #[error("`{text}`: host and port are needed, such as `at+tcp://192.168.1.50:4077` ({problem})")]
    HostPort {
        /// The text, escaped.
        text: String,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// `at+serial` without a path.
    #[error("`{text}`: a path is needed, such as `at+serial:/dev/ttyUSB0`")]
    NoPath {
        /// The text, escaped.
        text: String,
    },
    /// An option that does not exist, or a value that does not fit.
    #[error("`{text}`: the option `{option}` is not `baud=N` with N from 300 to 4000000")]
    Option {
        /// The text, escaped.
        text: String,
        /// The option as written.
        option: String,
    },
}

const TCP: &str = "at+tcp://";
const SERIAL: &str = "at+serial:";
const SCHEMES: [&str; 2] = ["`at+tcp://HOST:PORT`", "`at+serial:PATH?baud=N`"];

impl FromStr for AdapterAddress {
    type Err = AddressError;

    fn from_str(address: &str) -> Result<Self, AddressError> {
        let text = address.escape_debug().to_string();
        if let Some(rest) = address.strip_prefix(TCP) {
            let wrong = |problem| AddressError::HostPort { text: text.clone(), problem };
            let (host, port) = rest.trim_end_matches('/').rsplit_once(':').ok_or_else(|| wrong("no port"))?;
            let port = port.parse().ok().filter(|port| *port > 0).ok_or_else(|| wrong("port is not 1 to 65535"))?;
            let bare = host.strip_prefix('[').and_then(|host| host.strip_suffix(']'));
            let host = bare.unwrap_or(host);
            if host.is_empty() || (bare.is_none() && host.contains(':')) {
                return Err(wrong(if host.is_empty() { "no host" } else { "an IPv6 address goes into brackets" }));
            }
            return Ok(Self::AtTcp { host: host.to_owned(), port });
        }
        let Some(rest) = address.strip_prefix(SERIAL) else {
            return Err(AddressError::Scheme { text });
        };
        let (path, options) = rest.split_once('?').unwrap_or((rest, ""));
        if path.is_empty() {
            return Err(AddressError::NoPath { text });
        }
        let mut baud = None;
        for option in options.split('&').filter(|option| !option.is_empty()) {
            let value = option.strip_prefix("baud=").and_then(|value| value.parse().ok());
            baud = Some(value.filter(|baud| (300..=4_000_000).contains(baud)).ok_or_else(|| AddressError::Option {
                text: text.clone(),
                option: option.escape_debug().to_string(),
            })?);
        }
        Ok(Self::AtSerial { path: PathBuf::from(path), baud })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_of_the_command_line() {
        let tcp = |host: &str, port| Ok(AdapterAddress::AtTcp { host: host.to_owned(), port });
        let serial = |path: &str, baud| Ok(AdapterAddress::AtSerial { path: PathBuf::from(path), baud });
        assert_eq!("at+tcp://localhost:4077".parse(), tcp("localhost", 4077));
        assert_eq!("at+tcp://[::1]:1".parse(), tcp("::1", 1));
        assert_eq!("at+serial:/dev/ttyUSB0?baud=115200".parse(), serial("/dev/ttyUSB0", Some(115_200)));
        assert_eq!("at+serial:/dev/pts/3".parse(), serial("/dev/pts/3", None));
        assert_eq!("at+serial:COM3".parse(), serial("COM3", None));
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
        ] {
            let error = text.parse::<AdapterAddress>().expect_err(text).to_string();
            assert!(error.contains(part), "{text}: {error}");
        }
    }
}
