//! The program that `cargo xtask kernel-can` boots a kernel with: the kernel's own ISO-TP sockets (ISO 15765-2) are the
//! modules, and the CAN link asks them over a virtual interface. It is the first process of a machine without anything else.
#![allow(unsafe_code, reason = "mounting, loading modules and ISO-TP sockets have no safe interface here")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

#[cfg(not(target_os = "linux"))]
fn main() {}

#[cfg(target_os = "linux")]
fn main() {
    let result = std::panic::catch_unwind(linux::check);
    println!("kernel-can: {}", if result.is_ok() { "passed" } else { "FAILED" });
    linux::power_off();
}

#[cfg(target_os = "linux")]
mod linux {
    use std::ffi::{CString, c_int, c_void};
    use std::mem::size_of;
    use std::time::{Duration, Instant};

    use link::{Hearing, Request, Settings, Target, Wanted};
    use protocol::{Address, CanId};

    const INTERFACE: &str = "vcan0";
    /// Options of the kernel's ISO-TP sockets (`linux/can/isotp.h`).
    const SOL_CAN_ISOTP: c_int = 106;
    const RECV_FLOW: c_int = 2;

    pub(super) fn power_off() {
        // SAFETY: no memory is passed; as the first process we may.
        unsafe {
            libc::sync();
            libc::reboot(libc::LINUX_REBOOT_CMD_POWER_OFF);
        }
    }

    fn checked(what: &str, code: c_int) -> c_int {
        assert!(code >= 0, "{what}: {}", std::io::Error::last_os_error());
        code
    }

    fn set_up() {
        std::fs::create_dir_all("/sys").unwrap();
        let (kind, place) = (CString::new("sysfs").unwrap(), CString::new("/sys").unwrap());
        // SAFETY: texts that end with a zero and live until after the call.
        let code = unsafe { libc::mount(kind.as_ptr(), place.as_ptr(), kind.as_ptr(), 0, std::ptr::null()) };
        checked("mount /sys", code);
        for module in ["can", "can-raw", "can-isotp", "can-dev", "vcan"] {
            let bytes = std::fs::read(format!("/modules/{module}.ko")).unwrap();
            let options = CString::new("").unwrap();
            // SAFETY: the module's bytes with their number, and a text that ends with a zero.
            let code = unsafe { libc::syscall(libc::SYS_init_module, bytes.as_ptr(), bytes.len(), options.as_ptr()) };
            checked(module, c_int::try_from(code).unwrap());
        }
        let interface = socketcan::CanInterface::create_vcan(INTERFACE, None).unwrap();
        interface.bring_up().unwrap();
    }

    /// A module made by the kernel: receives on one identifier and answers from another.
    struct Module(c_int);

    impl Module {
        /// `block_size`, `st_min`: what its flow control asks for.
        fn new(rx: CanId, tx: CanId, block_size: u8, st_min: u8) -> Self {
            let word = |id: CanId| match id {
                CanId::Standard(id) => u32::from(id),
                CanId::Extended(id) => id | libc::CAN_EFF_FLAG,
            };
            // SAFETY: plain numbers.
            let socket = unsafe { libc::socket(libc::AF_CAN, libc::SOCK_DGRAM, libc::CAN_ISOTP) };
            checked("socket", socket);
            let flow = [block_size, st_min, 0];
            // SAFETY: the option's structure is three bytes: block size, separation time, wait frames.
            let code = unsafe { libc::setsockopt(socket, SOL_CAN_ISOTP, RECV_FLOW, flow.as_ptr().cast::<c_void>(), 3) };
            checked("flow control option", code);
            let name = CString::new(INTERFACE).unwrap();
            // SAFETY: a text that ends with a zero; an address structure of zeros is valid, and its parts are numbers.
            unsafe {
                let mut address: libc::sockaddr_can = std::mem::zeroed();
                address.can_family = libc::sa_family_t::try_from(libc::AF_CAN).unwrap();
                address.can_ifindex = c_int::try_from(libc::if_nametoindex(name.as_ptr())).unwrap();
                address.can_addr.tp.rx_id = word(rx);
                address.can_addr.tp.tx_id = word(tx);
                let place: *const libc::sockaddr_can = &raw const address;
                let size = libc::socklen_t::try_from(size_of::<libc::sockaddr_can>()).unwrap();
                checked("bind", libc::bind(socket, place.cast(), size));
            }
            Self(socket)
        }

        /// Answers every request with its service + 0x40 and, for service 22, data of the length that the identifier
        /// names behind it.
        fn serve(self) {
            std::thread::spawn(move || {
                let mut buffer = vec![0_u8; 8192];
                loop {
                    // SAFETY: room for as many bytes as are named.
                    let n = unsafe { libc::read(self.0, buffer.as_mut_ptr().cast(), buffer.len()) };
                    let Ok(n) = usize::try_from(n) else { continue };
                    let request = &buffer[..n];
                    let mut answer = vec![request[0] + 0x40];
                    answer.extend(&request[1..n.min(3)]);
                    match (request[0], request) {
                        (0x01, _) => answer.extend([0xBE, 0x3F, 0xA8, 0x13]),
                        (0x22, [_, high, low, ..]) => {
                            let length = usize::from(*high) << 8 | usize::from(*low);
                            answer.extend((0..length).map(|n| (n % 251) as u8));
                        }
                        // Says how many bytes it has got, and their sum.
                        (0x2E, [_, _, _, data @ ..]) => {
                            let sum = data.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
                            answer.extend(u16::try_from(data.len()).unwrap().to_be_bytes());
                            answer.push(sum);
                        }
                        _ => {}
                    }
                    // SAFETY: as many bytes as are named.
                    let sent = unsafe { libc::write(self.0, answer.as_ptr().cast(), answer.len()) };
                    assert_eq!(usize::try_from(sent), Ok(answer.len()), "{}", std::io::Error::last_os_error());
                }
            });
        }
    }

    pub(super) fn check() {
        set_up();
        let (mut n_messages, start) = (0, Instant::now());
        for wide in [false, true] {
            let id = |number: u32| {
                if wide { CanId::Extended(number) } else { CanId::Standard(u16::try_from(number).unwrap()) }
            };
            let everyone = id(if wide { 0x18DB_33F1 } else { 0x7DF });
            // (block size, separation time) of three modules.
            let flows = [(0, 0), (4, 1), (15, 0xF5)];
            let modules: Vec<Address> = (0..3_u32)
                .map(|n| {
                    if wide { Address::from_reply29(0x18DA_F110 + n) } else { Address::from_reply11(0x7E8 + n as u16) }
                })
                .collect();
            for (module, (block_size, st_min)) in modules.iter().zip(flows) {
                let (request, reply) = match module {
                    Address::Can11 { request, reply } => (u32::from(*request), u32::from(*reply)),
                    Address::Can29 { request, reply } => (*request, *reply),
                    _ => unreachable!("on CAN"),
                };
                Module::new(id(request), id(reply), block_size, st_min).serve();
                if block_size == 0 {
                    // The first one answers requests to everyone too.
                    Module::new(everyone, id(reply), 0, 0).serve();
                }
            }
            let settings = Settings { bus: Some(protocol::Bus::Can { wide, kbit_s: 500 }), need_vehicle: true };
            let mut link = link::open(&format!("socketcan:{INTERFACE}"), settings).unwrap();
            assert_eq!(link.info().bus, settings.bus, "{}", link.info().adapter);
            println!("kernel-can: {}, {}", link.info().adapter, link.info().bus.unwrap());
            // Long answers, and long requests, of all three at once.
            for length in [1_usize, 3, 4, 5, 7, 8, 60, 61, 62, 63, 500, 1234, 4090] {
                let [high, low] = u16::try_from(length).unwrap().to_be_bytes();
                let data: Vec<u8> = (0..length).map(|n| (n % 241) as u8).collect();
                let sum = data.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
                let write = [&[0x2E, 0x12, 0x34][..], &data].concat();
                for bytes in [vec![0x22, high, low], write] {
                    let requests: Vec<Request> = modules
                        .iter()
                        .map(|module| Request { to: Target::Module(*module), bytes: bytes.clone(), n_replies: Some(1) })
                        .collect();
                    let exchanges = link.exchange_many(&requests).unwrap();
                    for (module, exchange) in modules.iter().zip(exchanges) {
                        assert_eq!(exchange.problems, [] as [String; 0], "{module}, {length} bytes");
                        let reply = &exchange.replies.first().unwrap_or_else(|| panic!("{module}, {length}")).bytes;
                        if bytes[0] == 0x22 {
                            let expected: Vec<u8> = (0..length).map(|n| (n % 251) as u8).collect();
                            assert_eq!(reply[3..], expected, "{module}, {length} bytes");
                        } else {
                            assert_eq!(reply[3..], [high, low, sum], "{module}, {length} bytes");
                        }
                        n_messages += 2;
                    }
                }
            }
            // Frames of others are heard, and only the wanted ones.
            let wanted = id(0x123);
            assert_eq!(link.listen_to(&[Wanted::Frames(wanted)]), Hearing::Always);
            let mut other = Module::new(id(0x321), wanted, 0, 0);
            // SAFETY: as many bytes as are named.
            let sent = unsafe { libc::write(other.0, [1_u8, 2, 3].as_ptr().cast(), 3) };
            assert_eq!(sent, 3);
            let heard = link.hear(link.now() + 1_000_000_000).unwrap();
            assert_eq!(heard.len(), 1);
            assert!(heard[0].bytes.starts_with(&[3, 1, 2, 3]), "{heard:?}");
            other.0 = -1;
        }
        // A module that is not there stays silent, and no longer than it may.
        let mut link = link::open(&format!("socketcan:{INTERFACE}"), Settings::default()).unwrap();
        let asked =
            Request { to: Target::Module(Address::from_reply11(0x7EF)), bytes: vec![0x3E, 0x00], n_replies: Some(1) };
        let silent = link.exchange(&asked).unwrap();
        assert!(silent.replies.is_empty() && silent.over_ns - silent.asked_ns < 1_000_000_000, "{silent:?}");
        println!("kernel-can: {n_messages} messages in {:.1} s", start.elapsed().as_secs_f64());
        std::thread::sleep(Duration::from_millis(10));
    }
}
