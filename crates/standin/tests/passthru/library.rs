//! A pass-thru library (SAE J2534-1) for the tests: on CAN its adapter is the stand-in's serial-line face at the address
//! that it is compiled for. Compiled for a network instead of an address, it has two modules on a K-line and nobody on
//! CAN. The messages there are those of ISO 9141-2 and ISO 14230-2, from memory.
#![allow(unsafe_code, non_snake_case, missing_docs, reason = "the names and the C interface are those of the standard")]

use std::collections::VecDeque;
use std::ffi::{c_char, c_long, c_ulong, c_void};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Mutex;
use std::time::{Duration, Instant};

#[repr(C)]
pub struct Message {
    protocol: c_ulong,
    rx_status: c_ulong,
    tx_flags: c_ulong,
    timestamp_us: c_ulong,
    data_size: c_ulong,
    extra_data_index: c_ulong,
    data: [u8; 4128],
}

struct Adapter {
    /// To the stand-in; `None`: there is a K-line instead.
    stream: Option<TcpStream>,
    line: Line,
    text: Vec<u8>,
    n_filters: u32,
}

/// The modules on the K-line.
#[derive(Default)]
struct Line {
    /// The protocol that the channel was opened for: 3 or 4, 5 for CAN.
    protocol: c_ulong,
    /// With whom a conversation was begun, and when it was last heard of.
    partner: Option<(u8, Instant)>,
    n_starts: c_ulong,
    replies: VecDeque<Vec<u8>>,
    /// Messages before the next one were lost.
    is_overrun: bool,
}

/// The network: `iso9141`, `kwp-fast` or `kwp-5baud`.
const NETWORK: &str = env!("STANDIN_ADDRESS");
/// P3 max.
const ENDS_AFTER: Duration = Duration::from_secs(5);

impl Line {
    /// A start at five baud: the key bytes of those who answer to this address.
    fn five_baud(&mut self, address: u8) -> Option<[u8; 2]> {
        let keys = match (NETWORK, address) {
            ("iso9141", 0x33) => [0x08, 0x08],
            ("kwp-5baud", 0x33 | 0x28) => [0xEF, 0x8F],
            _ => return None,
        };
        self.begin(address);
        Some(keys)
    }

    /// A fast start: the answer to the request.
    fn fast(&mut self, request: &[u8]) -> Option<Vec<u8>> {
        let (address, from) = match request {
            [0xC1, 0x33, 0xF1, 0x81] => (0x33, 0x11),
            [0x81, 0x28, 0xF1, 0x81] => (0x28, 0x28),
            _ => return None,
        };
        (NETWORK == "kwp-fast").then(|| {
            self.begin(address);
            vec![0x83, 0xF1, from, 0xC1, 0xEF, 0x8F]
        })
    }

    fn begin(&mut self, address: u8) {
        self.n_starts += 1;
        self.partner = Some((address, Instant::now()));
        self.replies.clear();
    }

    fn hear(&mut self, message: &[u8]) {
        let is_9141 = NETWORK == "iso9141";
        let Some((partner, heard)) = self.partner else { return };
        if heard.elapsed() > ENDS_AFTER || self.protocol != if is_9141 { 3 } else { 4 } {
            self.partner = None;
            return;
        }
        self.partner = Some((partner, Instant::now()));
        let (is_functional, data) = match message {
            [0x68, 0x6A, 0xF1, data @ ..] if is_9141 => (true, data),
            [format, 0x33, 0xF1, data @ ..] if *format == 0xC0 | data.len() as u8 => (true, data),
            [format, to, 0xF1, data @ ..] if *format == 0x80 | data.len() as u8 && *to == partner => (false, data),
            _ => return,
        };
        if is_functional && data == [0x09, 0x02] {
            // Four bytes in each of five messages, filled up in front (SAE J1979, from memory).
            for (number, piece) in (1..).zip([&[0; 3][..], b"1G4AH59H45G118341"].concat().chunks(4)) {
                let header = if is_9141 { [0x48, 0x6B, 0x11] } else { [0x87, 0xF1, 0x11] };
                self.replies.push_back([&header[..], &[0x49, 0x02, number], piece].concat());
            }
            return;
        }
        self.is_overrun |= data == [0x01, 0x0D];
        let (from, answer): (u8, Vec<u8>) = match data {
            [0x01, 0x00] if is_functional => (0x11, vec![0x41, 0x00, 0x08, 0x18, 0x00, 0x00]),
            [0x01, 0x0C] if is_functional => (0x11, vec![0x41, 0x0C, 0x0B, 0xB8]),
            [0x01, 0x0D] if is_functional => (0x11, vec![0x41, 0x0D, 0x32]),
            [0x3E, ..] => (if is_functional { 0x11 } else { partner }, vec![0x7E]),
            [0x21, 0x01] if partner == 0x28 => (0x28, [&[0x61, 0x01][..], &[0x55; 70]].concat()),
            _ => return,
        };
        let header = match answer.len() as u8 {
            _ if is_9141 => vec![0x48, 0x6B, from],
            length @ ..=0x3F => vec![0x80 | length, 0xF1, from],
            length => vec![0x80, 0xF1, from, length],
        };
        self.replies.push_back([header, answer].concat());
    }
}

static ADAPTER: Mutex<Option<Adapter>> = Mutex::new(None);
static ERROR: Mutex<&str> = Mutex::new("");

fn fail(code: c_long, text: &'static str) -> c_long {
    *ERROR.lock().unwrap() = text;
    code
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruOpen(_name: *const c_void, device: *mut c_ulong) -> c_long {
    let mut adapter = ADAPTER.lock().unwrap();
    if adapter.is_some() {
        return fail(0x0E, "device in use");
    }
    let line = Line::default();
    if !NETWORK.contains(':') {
        *adapter = Some(Adapter { stream: None, line, text: Vec::new(), n_filters: 0 });
        unsafe { *device = 7 };
        return 0;
    }
    match TcpStream::connect(NETWORK) {
        Ok(stream) => {
            stream.set_nodelay(true).unwrap();
            *adapter = Some(Adapter { stream: Some(stream), line, text: Vec::new(), n_filters: 0 });
            unsafe { *device = 7 };
            0
        }
        Err(_) => fail(8, "the invented adapter is not there"),
    }
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruClose(device: c_ulong) -> c_long {
    if device != 7 || ADAPTER.lock().unwrap().take().is_none() {
        return fail(0x1A, "no such device");
    }
    0
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruConnect(
    device: c_ulong,
    protocol: c_ulong,
    flags: c_ulong,
    bit_s: c_ulong,
    channel: *mut c_ulong,
) -> c_long {
    let mut adapter = ADAPTER.lock().unwrap();
    let Some(adapter) = adapter.as_mut() else { return fail(0x1A, "no such device") };
    adapter.line.protocol = protocol;
    adapter.n_filters = 0;
    let Some(stream) = &mut adapter.stream else {
        unsafe { *channel = 3 };
        return match (protocol, flags, bit_s) {
            (3 | 4, 0, 10_400) | (5, 0x800, 250_000 | 500_000) => 0,
            _ => fail(1, "not supported"),
        };
    };
    let rate = match bit_s {
        250_000 => "S5",
        500_000 => "S6",
        _ => return fail(0x19, "no such bit rate"),
    };
    if device != 7 || protocol != 5 || flags != 0x800 {
        return fail(1, "not supported");
    }
    stream.write_all(format!("C\r{rate}\rO\r").as_bytes()).unwrap();
    unsafe { *channel = 3 };
    0
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruDisconnect(channel: c_ulong) -> c_long {
    let mut adapter = ADAPTER.lock().unwrap();
    match adapter.as_mut().filter(|_| channel == 3) {
        Some(adapter) => {
            if let Some(stream) = &mut adapter.stream {
                let _ = stream.write_all(b"C\r");
            }
            0
        }
        None => fail(2, "no such channel"),
    }
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruStartMsgFilter(
    channel: c_ulong,
    kind: c_ulong,
    mask: *const Message,
    pattern: *const Message,
    flow: *const Message,
    number: *mut c_ulong,
) -> c_long {
    if channel != 3 || kind != 1 || mask.is_null() || pattern.is_null() || !flow.is_null() {
        return fail(0x16, "no such filter");
    }
    let mut adapter = ADAPTER.lock().unwrap();
    let Some(adapter) = adapter.as_mut() else { return fail(2, "no such channel") };
    adapter.n_filters += 1;
    unsafe { *number = c_ulong::from(adapter.n_filters) };
    0
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruWriteMsgs(
    channel: c_ulong,
    messages: *mut Message,
    n: *mut c_ulong,
    _timeout_ms: c_ulong,
) -> c_long {
    let mut adapter = ADAPTER.lock().unwrap();
    let Some(adapter) = adapter.as_mut().filter(|_| channel == 3) else { return fail(2, "no such channel") };
    let message = unsafe { &*messages };
    let size = message.data_size as usize;
    let Some(stream) = &mut adapter.stream else {
        if adapter.line.protocol != 5 {
            adapter.line.hear(&message.data[..size]);
        }
        return 0;
    };
    if unsafe { *n } != 1 || !(4..=12).contains(&size) {
        return fail(0x0A, "no such message");
    }
    let id = u32::from_be_bytes(message.data[..4].try_into().unwrap());
    adapter.line.is_overrun |= message.data[5..8] == [0x22, 0xF1, 0x90];
    let head = if message.tx_flags & 0x100 != 0 { format!("T{id:08X}") } else { format!("t{id:03X}") };
    let data: String = message.data[4..size].iter().map(|byte| format!("{byte:02X}")).collect();
    match stream.write_all(format!("{head}{}{data}\r", size - 4).as_bytes()) {
        Ok(()) => 0,
        Err(_) => fail(8, "the invented adapter has gone"),
    }
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruReadMsgs(
    channel: c_ulong,
    messages: *mut Message,
    n: *mut c_ulong,
    timeout_ms: c_ulong,
) -> c_long {
    let mut adapter = ADAPTER.lock().unwrap();
    let Some(adapter) = adapter.as_mut().filter(|_| channel == 3) else { return fail(2, "no such channel") };
    let end = Instant::now() + Duration::from_millis(timeout_ms as u64);
    unsafe { *n = 0 };
    // Without a filter nothing passes.
    while adapter.n_filters > 0 {
        if let Some(at) = adapter.text.iter().position(|byte| *byte == b'\r') {
            let line: Vec<u8> = adapter.text.drain(..=at).collect();
            let line = String::from_utf8_lossy(&line[..at]).into_owned();
            let (wide, digits) = match line.as_bytes().first() {
                Some(b't') => (false, 3),
                Some(b'T') => (true, 8),
                _ => continue,
            };
            let id = u32::from_str_radix(&line[1..=digits], 16).unwrap();
            let data = &line[digits + 2..];
            let message = unsafe { &mut *messages };
            message.protocol = 5;
            message.rx_status = if wide { 0x100 } else { 0 };
            message.data[..4].copy_from_slice(&id.to_be_bytes());
            for idx in 0..data.len() / 2 {
                message.data[4 + idx] = u8::from_str_radix(&data[2 * idx..2 * idx + 2], 16).unwrap();
            }
            message.data_size = (4 + data.len() / 2) as c_ulong;
            unsafe { *n = 1 };
            return given(&mut adapter.line);
        }
        let left = end.saturating_duration_since(Instant::now());
        let Some(stream) = &mut adapter.stream else {
            if let Some(reply) = adapter.line.replies.pop_front() {
                give(unsafe { &mut *messages }, adapter.line.protocol, &reply);
                unsafe { *n = 1 };
                return given(&mut adapter.line);
            }
            std::thread::sleep(left);
            break;
        };
        stream.set_read_timeout(Some(left.max(Duration::from_millis(1)))).unwrap();
        let mut buffer = [0; 512];
        match stream.read(&mut buffer) {
            Ok(0) => return fail(8, "the invented adapter has gone"),
            Ok(got) => adapter.text.extend(&buffer[..got]),
            Err(_) if Instant::now() >= end => break,
            Err(_) => {}
        }
    }
    fail(0x10, "nothing came")
}

/// A message was read; with ERR_BUFFER_OVERFLOW others were lost before it (from memory).
fn given(line: &mut Line) -> c_long {
    if std::mem::take(&mut line.is_overrun) { fail(0x12, "messages were lost") } else { 0 }
}

fn give(message: &mut Message, protocol: c_ulong, bytes: &[u8]) {
    message.protocol = protocol;
    message.rx_status = 0;
    message.data[..bytes.len()].copy_from_slice(bytes);
    message.data_size = bytes.len() as c_ulong;
}

#[repr(C)]
struct Bytes {
    n: c_ulong,
    bytes: *mut u8,
}

/// Starts of conversations on the K-line.
fn start(what: c_ulong, input: *const c_void, output: *mut c_void) -> c_long {
    let mut adapter = ADAPTER.lock().unwrap();
    let Some(adapter) = adapter.as_mut().filter(|adapter| adapter.stream.is_none()) else {
        return fail(1, "not supported");
    };
    if what == 4 {
        let (input, output) = unsafe { (&*input.cast::<Bytes>(), &mut *output.cast::<Bytes>()) };
        match adapter.line.five_baud(unsafe { *input.bytes }) {
            Some(keys) if input.n == 1 && output.n == 2 => {
                unsafe { output.bytes.copy_from(keys.as_ptr(), 2) };
                0
            }
            _ => fail(7, "nobody answered"),
        }
    } else {
        let input = unsafe { &*input.cast::<Message>() };
        match adapter.line.fast(&input.data[..input.data_size as usize]) {
            Some(answer) => {
                give(unsafe { &mut *output.cast::<Message>() }, adapter.line.protocol, &answer);
                0
            }
            None => fail(7, "nobody answered"),
        }
    }
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruReadVersion(
    _device: c_ulong,
    firmware: *mut c_char,
    library: *mut c_char,
    interface: *mut c_char,
) -> c_long {
    for (place, text) in [(firmware, "1.0"), (library, "2.0"), (interface, "04.04")] {
        write(place, text);
    }
    0
}

fn write(place: *mut c_char, text: &str) {
    for (idx, byte) in text.bytes().chain([0]).enumerate() {
        unsafe { *place.add(idx) = byte as c_char };
    }
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruGetLastError(text: *mut c_char) -> c_long {
    write(text, *ERROR.lock().unwrap());
    0
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruIoctl(
    device: c_ulong,
    what: c_ulong,
    input: *const c_void,
    output: *mut c_void,
) -> c_long {
    if device == 3 && matches!(what, 4 | 5) {
        return start(what, input, output);
    }
    if device != 7 || what != 3 {
        return fail(7, "no such request");
    }
    // So that a test sees how often a conversation was begun.
    let n_starts = ADAPTER.lock().unwrap().as_ref().map_or(0, |adapter| adapter.line.n_starts);
    unsafe { *output.cast::<c_ulong>() = 12_340 + n_starts };
    0
}
