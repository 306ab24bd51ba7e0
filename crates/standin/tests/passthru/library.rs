//! A pass-thru library (SAE J2534-1) for the tests: its adapter is the stand-in's serial-line face at the address that it
//! is compiled for. It takes CAN only.
#![allow(unsafe_code, non_snake_case, missing_docs)]

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
    stream: TcpStream,
    text: Vec<u8>,
    n_filters: u32,
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
    match TcpStream::connect(env!("STANDIN_ADDRESS")) {
        Ok(stream) => {
            stream.set_nodelay(true).unwrap();
            *adapter = Some(Adapter { stream, text: Vec::new(), n_filters: 0 });
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
    let rate = match bit_s {
        250_000 => "S5",
        500_000 => "S6",
        _ => return fail(0x19, "no such bit rate"),
    };
    if device != 7 || protocol != 5 || flags != 0x800 {
        return fail(1, "not supported");
    }
    let mut adapter = ADAPTER.lock().unwrap();
    let Some(adapter) = adapter.as_mut() else { return fail(0x1A, "no such device") };
    adapter.stream.write_all(format!("C\r{rate}\rO\r").as_bytes()).unwrap();
    unsafe { *channel = 3 };
    0
}

#[unsafe(no_mangle)]
pub extern "system" fn PassThruDisconnect(channel: c_ulong) -> c_long {
    let mut adapter = ADAPTER.lock().unwrap();
    match adapter.as_mut().filter(|_| channel == 3) {
        Some(adapter) => {
            let _ = adapter.stream.write_all(b"C\r");
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
    if unsafe { *n } != 1 || !(4..=12).contains(&size) {
        return fail(0x0A, "no such message");
    }
    let id = u32::from_be_bytes(message.data[..4].try_into().unwrap());
    let head = if message.tx_flags & 0x100 != 0 { format!("T{id:08X}") } else { format!("t{id:03X}") };
    let data: String = message.data[4..size].iter().map(|byte| format!("{byte:02X}")).collect();
    match adapter.stream.write_all(format!("{head}{}{data}\r", size - 4).as_bytes()) {
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
            return 0;
        }
        let left = end.saturating_duration_since(Instant::now());
        adapter.stream.set_read_timeout(Some(left.max(Duration::from_millis(1)))).unwrap();
        let mut buffer = [0; 512];
        match adapter.stream.read(&mut buffer) {
            Ok(0) => return fail(8, "the invented adapter has gone"),
            Ok(got) => adapter.text.extend(&buffer[..got]),
            Err(_) if Instant::now() >= end => break,
            Err(_) => {}
        }
    }
    fail(0x10, "nothing came")
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
    _input: *const c_void,
    output: *mut c_void,
) -> c_long {
    if device != 7 || what != 3 {
        return fail(7, "no such request");
    }
    unsafe { *output.cast::<c_ulong>() = 12_340 };
    0
}
