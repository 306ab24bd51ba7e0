//! What is plugged in or reachable: serial ports, CAN interfaces, vehicles on the network. Nothing is opened or sent to,
//! but for the question who is there on the local networks.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;
use std::time::Duration;

use protocol::doip::PORT;

use crate::doip::{Found, discover};

/// How long vehicles may take to say who they are: they wait up to 0.5 s so as not to answer all at once
/// (A_DoIP_Announce_Wait of ISO 13400-2, from memory).
const ANNOUNCE_WAIT: Duration = Duration::from_millis(1200);

/// A serial port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SerialPort {
    /// Device node.
    pub path: String,
    /// Maker and product as the device says, or the driver; text from outside.
    pub what: String,
}

/// A CAN interface.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Interface {
    /// Its name.
    pub name: String,
    /// Driver, or "virtual".
    pub what: String,
}

/// Serial ports of a Linux system whose files are under `sys` (`/sys`) and whose nodes are in `dev` (`/dev`), by name.
#[must_use]
pub fn serial_ports(sys: &Path, dev: &Path) -> Vec<SerialPort> {
    let mut ports: Vec<SerialPort> = names(&sys.join("class/tty"))
        .into_iter()
        .filter_map(|name| {
            let class = sys.join("class/tty").join(&name);
            // Terminals without hardware have no device; a UART of type 0 is a place where none was found.
            let device = class.join("device").canonicalize().ok()?;
            if line(&class.join("type")).as_deref() == Some("0") {
                return None;
            }
            Some(SerialPort { path: dev.join(&name).display().to_string(), what: product(&device) })
        })
        .collect();
    // Serial ports over classic Bluetooth have no device either.
    let bluetooth = names(dev).into_iter().filter(|name| name.starts_with("rfcomm"));
    ports.extend(bluetooth.map(|name| SerialPort {
        path: dev.join(name).display().to_string(),
        what: "Bluetooth serial port".to_owned(),
    }));
    ports
}

/// CAN interfaces of a Linux system whose files are under `sys`, by name.
#[must_use]
pub fn can_interfaces(sys: &Path) -> Vec<Interface> {
    // ARPHRD_CAN of the kernel.
    const CAN: &str = "280";
    names(&sys.join("class/net"))
        .into_iter()
        .filter_map(|name| {
            let class = sys.join("class/net").join(&name);
            (line(&class.join("type")).as_deref() == Some(CAN)).then(|| {
                let what = match class.join("device").canonicalize() {
                    Ok(device) => product(&device),
                    Err(_) => "virtual".to_owned(),
                };
                Interface { name, what }
            })
        })
        .collect()
}

/// Vehicles that answer on the local networks, as the routing table `routes` (the text of `/proc/net/route`) names them.
///
/// # Errors
/// The operating system's, when no socket can be had.
pub fn vehicles(routes: &str) -> std::io::Result<Vec<Found>> {
    let targets: Vec<SocketAddr> = broadcasts(routes).into_iter().map(|ip| SocketAddr::from((ip, PORT))).collect();
    if targets.is_empty() { Ok(Vec::new()) } else { discover(&targets, ANNOUNCE_WAIT) }
}

/// Broadcast addresses of the networks that a machine is directly on.
///
/// Columns of the table: interface, destination, gateway, flags, ..., mask in the eighth; numbers in hex with their bytes
/// reversed.
fn broadcasts(routes: &str) -> Vec<Ipv4Addr> {
    let mut found: Vec<Ipv4Addr> = routes
        .lines()
        .filter_map(|row| {
            let columns: Vec<&str> = row.split_whitespace().collect();
            let number = |idx: usize| u32::from_str_radix(columns.get(idx)?, 16).ok().map(u32::swap_bytes);
            let (destination, gateway, mask) = (number(1)?, number(2)?, number(7)?);
            let is_local = gateway == 0 && mask != 0 && mask != u32::MAX;
            is_local.then(|| Ipv4Addr::from(destination | !mask))
        })
        .collect();
    found.sort_unstable();
    found.dedup();
    found
}

/// Names in a folder, sorted; none when it is not there.
fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    names.sort_unstable();
    names
}

fn line(file: &Path) -> Option<String> {
    let text = std::fs::read_to_string(file).ok()?;
    Some(text.lines().next()?.trim().to_owned()).filter(|line| !line.is_empty())
}

/// Maker and product of the device that this one belongs to; otherwise its driver.
fn product(device: &Path) -> String {
    for place in device.ancestors().take(6) {
        if let Some(product) = line(&place.join("product")) {
            return match line(&place.join("manufacturer")) {
                Some(maker) if !product.starts_with(&maker) => format!("{maker} {product}"),
                _ => product,
            };
        }
    }
    let driver = device.join("driver").canonicalize().ok();
    let name = driver.as_deref().and_then(Path::file_name).map(|name| name.to_string_lossy().into_owned());
    name.map_or_else(|| "unknown device".to_owned(), |name| format!("driver {name}"))
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn ports_and_interfaces_of_a_made_up_system() {
        let root = tempfile::tempdir().expect("a folder");
        let (sys, dev) = (root.path().join("sys"), root.path().join("dev"));
        let put = |path: &str, text: &str| {
            let path = root.path().join(path);
            std::fs::create_dir_all(path.parent().expect("inside")).expect("made");
            std::fs::write(path, text).expect("written");
        };
        put("sys/devices/usb1/1-1/product", "Serial Bridge\n");
        put("sys/devices/usb1/1-1/manufacturer", "Somebody\n");
        put("sys/devices/usb1/1-1/1-1:1.0/ttyUSB0/x", "");
        put("sys/devices/platform/serial8250/x", "");
        put("sys/class/tty/ttyS0/type", "0\n");
        put("sys/class/tty/ttyUSB0/x", "");
        put("sys/class/tty/tty0/x", "");
        put("sys/class/net/can0/type", "280\n");
        put("sys/class/net/eth0/type", "1\n");
        put("dev/rfcomm0", "");
        let link = |from: &str, to: &str| std::os::unix::fs::symlink(root.path().join(to), root.path().join(from));
        link("sys/class/tty/ttyS0/device", "sys/devices/platform/serial8250").expect("linked");
        link("sys/class/tty/ttyUSB0/device", "sys/devices/usb1/1-1/1-1:1.0/ttyUSB0").expect("linked");
        let ports = serial_ports(&sys, &dev);
        let shown: Vec<(bool, &str)> =
            ports.iter().map(|port| (port.path.ends_with("B0"), port.what.as_str())).collect();
        assert_eq!(shown, [(true, "Somebody Serial Bridge"), (false, "Bluetooth serial port")]);
        let interfaces = can_interfaces(&sys);
        assert_eq!(interfaces, [Interface { name: "can0".to_owned(), what: "virtual".to_owned() }]);
    }

    /// Rows as the Linux kernel prints them: a default route, two networks, one host.
    #[test]
    fn local_networks_have_broadcast_addresses() {
        let routes = "Iface Destination Gateway Flags RefCnt Use Metric Mask MTU Window IRTT\n\
            eth0 00000000 0101A8C0 0003 0 0 100 00000000 0 0 0\n\
            eth0 0001A8C0 00000000 0001 0 0 100 00FFFFFF 0 0 0\n\
            eth1 0000FEA9 00000000 0001 0 0 100 0000FFFF 0 0 0\n\
            eth1 0501A8C0 00000000 0005 0 0 100 FFFFFFFF 0 0 0\n\
            damaged row\n";
        assert_eq!(broadcasts(routes), [Ipv4Addr::new(169, 254, 255, 255), Ipv4Addr::new(192, 168, 1, 255)]);
    }
}
