//! The functions of a pass-thru library (SAE J2534-1, version 04.04; layouts and numbers from memory).
#![allow(unsafe_code, reason = "a shared library of the adapter's maker can only be called by its C interface")]

use std::ffi::{c_char, c_long, c_ulong, c_void};
use std::path::Path;

use libloading::Library;
use protocol::{CanFrame, CanId};

/// `PASSTHRU_MSG` with the longest message of the standard.
#[repr(C)]
struct Message {
    protocol: c_ulong,
    rx_status: c_ulong,
    tx_flags: c_ulong,
    timestamp_us: c_ulong,
    data_size: c_ulong,
    extra_data_index: c_ulong,
    data: [u8; 4128],
}

const CAN: c_ulong = 5;
const ID_29_BIT: c_ulong = 0x100;
const ID_BOTH: c_ulong = 0x800;
const PASS_FILTER: c_ulong = 1;
const READ_VOLTAGE: c_ulong = 3;
const RX_IS_ECHO: c_ulong = 1;
const OK: c_long = 0;
const TIMEOUT: c_long = 9;
const BUFFER_EMPTY: c_long = 0x10;
/// Bytes of the texts that the library fills in.
const TEXT: usize = 80;

/// What the library answers instead of "no error".
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{function} failed: {text} (code {code:02X})")]
pub(super) struct Status {
    pub(super) function: &'static str,
    pub(super) code: c_long,
    pub(super) text: String,
}

impl Status {
    /// Nothing came, or nothing could be sent, within the given time.
    pub(super) fn is_timeout(&self) -> bool {
        matches!(self.code, TIMEOUT | BUFFER_EMPTY)
    }
}

type Open = unsafe extern "system" fn(*const c_void, *mut c_ulong) -> c_long;
type Close = unsafe extern "system" fn(c_ulong) -> c_long;
type Connect = unsafe extern "system" fn(c_ulong, c_ulong, c_ulong, c_ulong, *mut c_ulong) -> c_long;
type Transfer = unsafe extern "system" fn(c_ulong, *mut Message, *mut c_ulong, c_ulong) -> c_long;
type Filter =
    unsafe extern "system" fn(c_ulong, c_ulong, *const Message, *const Message, *const Message, *mut c_ulong) -> c_long;
type Versions = unsafe extern "system" fn(c_ulong, *mut c_char, *mut c_char, *mut c_char) -> c_long;
type LastError = unsafe extern "system" fn(*mut c_char) -> c_long;
type Control = unsafe extern "system" fn(c_ulong, c_ulong, *const c_void, *mut c_void) -> c_long;

/// A loaded library. The functions are copied out of it and stay valid as long as `_library` is loaded, which is as long
/// as this value lives.
struct Functions {
    open: Open,
    close: Close,
    connect: Connect,
    disconnect: Close,
    read: Transfer,
    write: Transfer,
    filter: Filter,
    versions: Versions,
    last_error: LastError,
    control: Control,
    _library: Library,
}

/// An open CAN channel of an open device; closes both when it is dropped.
pub(super) struct Channel {
    functions: Functions,
    device: c_ulong,
    channel: Option<c_ulong>,
    about: String,
}

fn message(id: CanId, data: &[u8]) -> Box<Message> {
    let mut bytes = [0; 4128];
    let n = 4 + data.len().min(8);
    let whole = id.number().to_be_bytes().into_iter().chain(data.iter().copied().take(8));
    bytes.iter_mut().zip(whole).for_each(|(slot, byte)| *slot = byte);
    Box::new(Message {
        protocol: CAN,
        rx_status: 0,
        tx_flags: if matches!(id, CanId::Extended(_)) { ID_29_BIT } else { 0 },
        timestamp_us: 0,
        data_size: n as c_ulong,
        extra_data_index: 0,
        data: bytes,
    })
}

impl Functions {
    fn load(path: &Path) -> Result<Self, libloading::Error> {
        // SAFETY: loading runs the library's start-up code. The user named this file as a pass-thru library; there is no
        // way to check more, and the same holds for every program that uses one.
        let library = unsafe { Library::new(path)? };
        // SAFETY: the signatures are those of SAE J2534-1 for these names.
        unsafe {
            Ok(Self {
                open: *library.get(b"PassThruOpen\0")?,
                close: *library.get(b"PassThruClose\0")?,
                connect: *library.get(b"PassThruConnect\0")?,
                disconnect: *library.get(b"PassThruDisconnect\0")?,
                read: *library.get(b"PassThruReadMsgs\0")?,
                write: *library.get(b"PassThruWriteMsgs\0")?,
                filter: *library.get(b"PassThruStartMsgFilter\0")?,
                versions: *library.get(b"PassThruReadVersion\0")?,
                last_error: *library.get(b"PassThruGetLastError\0")?,
                control: *library.get(b"PassThruIoctl\0")?,
                _library: library,
            })
        }
    }

    fn check(&self, function: &'static str, code: c_long) -> Result<(), Status> {
        if code == OK {
            return Ok(());
        }
        let mut text = [0; TEXT + 1];
        // SAFETY: the standard's buffer of 80 characters, and one more that stays zero.
        let has_text = unsafe { (self.last_error)(text.as_mut_ptr()) } == OK;
        let text = if has_text { shown(&text) } else { "no description".to_owned() };
        Err(Status { function, code, text })
    }
}

/// Text up to the first zero, without control characters.
fn shown(text: &[c_char]) -> String {
    let bytes: Vec<u8> = text.iter().map(|c| c.to_ne_bytes()[0]).take_while(|byte| *byte != 0).collect();
    String::from_utf8_lossy(&bytes).chars().filter(|c| !c.is_control()).collect()
}

impl Channel {
    /// Loads the library, opens its first device and joins the CAN at this bit rate, with all frames let through.
    pub(super) fn open(path: &Path, kbit_s: u16) -> Result<Self, std::io::Error> {
        let functions = Functions::load(path).map_err(|error| {
            let kind = if path.exists() { std::io::ErrorKind::InvalidData } else { std::io::ErrorKind::NotFound };
            std::io::Error::new(kind, error)
        })?;
        let mut device = 0;
        // SAFETY: no name means the first device; the number is written to a variable that lives here.
        let code = unsafe { (functions.open)(std::ptr::null(), &raw mut device) };
        functions.check("PassThruOpen", code).map_err(std::io::Error::other)?;
        // From here on dropping it closes the device.
        let mut opened = Self { functions, device, channel: None, about: String::new() };
        let mut texts = [[0; TEXT + 1]; 3];
        let [firmware, library, interface] = &mut texts;
        // SAFETY: three buffers of 80 characters each, and one more that stays zero.
        let code = unsafe {
            (opened.functions.versions)(device, firmware.as_mut_ptr(), library.as_mut_ptr(), interface.as_mut_ptr())
        };
        if code == OK {
            let [firmware, library, interface] = texts.map(|text| shown(&text));
            opened.about = format!("firmware {firmware}, library {library}, interface {interface}");
        }
        let mut channel = 0;
        let bit_s = c_ulong::from(kbit_s) * 1000;
        // SAFETY: plain numbers; the channel's is written to a variable that lives here.
        let code = unsafe { (opened.functions.connect)(device, CAN, ID_BOTH, bit_s, &raw mut channel) };
        opened.functions.check("PassThruConnect", code).map_err(std::io::Error::other)?;
        opened.channel = Some(channel);
        // Without a filter nothing passes: one for each width of identifiers, with a mask that lets all through.
        for id in [CanId::Standard(0), CanId::Extended(0)] {
            let all = message(id, &[]);
            let mut number = 0;
            let pass: *const Message = &raw const *all;
            // SAFETY: mask and pattern live until after the call; a pass filter has no flow control message.
            let code = unsafe {
                (opened.functions.filter)(channel, PASS_FILTER, pass, pass, std::ptr::null(), &raw mut number)
            };
            opened.functions.check("PassThruStartMsgFilter", code).map_err(std::io::Error::other)?;
        }
        Ok(opened)
    }

    pub(super) fn about(&self) -> &str {
        &self.about
    }

    /// Sends a frame, waiting up to `timeout_ms` until it is on the bus.
    pub(super) fn send(&mut self, frame: &CanFrame, timeout_ms: u32) -> Result<(), Status> {
        let mut sent = message(frame.id, &frame.data);
        let mut n = 1;
        // SAFETY: one message, which lives until after the call, and the number of messages.
        let code = unsafe {
            (self.functions.write)(self.channel.unwrap_or(0), &raw mut *sent, &raw mut n, c_ulong::from(timeout_ms))
        };
        self.functions.check("PassThruWriteMsgs", code)
    }

    /// The next frame of another sender; `None`: nothing within `timeout_ms`, or an echo.
    pub(super) fn receive(&mut self, timeout_ms: u32) -> Result<Option<CanFrame>, Status> {
        let mut got = message(CanId::Standard(0), &[]);
        let mut n = 1;
        // SAFETY: room for one message, which lives until after the call, and the number of messages.
        let code = unsafe {
            (self.functions.read)(self.channel.unwrap_or(0), &raw mut *got, &raw mut n, c_ulong::from(timeout_ms))
        };
        match self.functions.check("PassThruReadMsgs", code) {
            Err(status) if status.is_timeout() => return Ok(None),
            result => result?,
        }
        if n == 0 || got.rx_status & RX_IS_ECHO != 0 {
            return Ok(None);
        }
        let size = usize::try_from(got.data_size).unwrap_or(0);
        let Some((id, data)) = got.data.get(..size).and_then(<[u8]>::split_first_chunk::<4>) else { return Ok(None) };
        let number = u32::from_be_bytes(*id);
        let id = match u16::try_from(number) {
            Ok(id) if got.rx_status & ID_29_BIT == 0 && id <= 0x7FF => CanId::Standard(id),
            _ => CanId::Extended(number & 0x1FFF_FFFF),
        };
        Ok(Some(CanFrame::classic(id, data)))
    }

    /// Supply voltage, V.
    pub(super) fn volts(&mut self) -> Option<f64> {
        let mut millivolts: c_ulong = 0;
        let place: *mut c_ulong = &raw mut millivolts;
        // SAFETY: this request has no input and writes one unsigned long.
        let code = unsafe { (self.functions.control)(self.device, READ_VOLTAGE, std::ptr::null(), place.cast()) };
        (code == OK).then_some(millivolts as f64 / 1000.0)
    }
}

impl Drop for Channel {
    fn drop(&mut self) {
        // SAFETY: numbers that the library gave out and that were not closed yet. What it answers does not matter any more.
        unsafe {
            if let Some(channel) = self.channel {
                (self.functions.disconnect)(channel);
            }
            (self.functions.close)(self.device);
        }
    }
}
