//! The functions of a pass-thru library (SAE J2534-1, version 04.04; layouts and numbers from memory).
#![allow(unsafe_code, reason = "a shared library of the adapter's maker can only be called by its C interface")]

use std::ffi::{c_char, c_long, c_ulong, c_void};
use std::path::Path;

use libloading::Library;
use protocol::{CanFrame, CanId};

/// What a channel carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// CAN frames at this bit rate.
    Can {
        /// kbit/s.
        kbit_s: u16,
    },
    /// Messages of ISO 9141-2.
    Iso9141,
    /// Messages of ISO 14230-4.
    Iso14230,
}

impl Kind {
    fn number(self) -> c_ulong {
        match self {
            Self::Can { .. } => CAN,
            Self::Iso9141 => 3,
            Self::Iso14230 => 4,
        }
    }
}

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
const FIVE_BAUD_INIT: c_ulong = 4;
const FAST_INIT: c_ulong = 5;
const RX_IS_ECHO: c_ulong = 1;
const RX_IS_START: c_ulong = 2;
const K_LINE_BIT_S: c_ulong = 10_400;
const OK: c_long = 0;
const TIMEOUT: c_long = 9;
const BUFFER_EMPTY: c_long = 0x10;
const BUFFER_FULL: c_long = 0x11;
const BUFFER_OVERFLOW: c_long = 0x12;
const FAILED: c_long = 7;
/// Bytes of the texts that the library fills in.
const TEXT: usize = 80;

/// `SBYTE_ARRAY`.
#[repr(C)]
struct Bytes {
    n: c_ulong,
    bytes: *mut u8,
}

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
        matches!(self.code, TIMEOUT | BUFFER_EMPTY | BUFFER_FULL)
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

/// An open channel of an open device; closes both when it is dropped.
pub(super) struct Channel {
    functions: Functions,
    device: c_ulong,
    kind: Kind,
    channel: Option<c_ulong>,
    about: String,
    /// Messages were lost because nobody read them in time, and nobody was told yet.
    is_overrun: bool,
}

/// A message of a channel of this kind; what does not fit into the longest one is left out.
fn message(kind: Kind, tx_flags: c_ulong, data: &[u8]) -> Box<Message> {
    let mut bytes = [0; 4128];
    bytes.iter_mut().zip(data).for_each(|(slot, byte)| *slot = *byte);
    Box::new(Message {
        protocol: kind.number(),
        rx_status: 0,
        tx_flags,
        timestamp_us: 0,
        data_size: data.len().min(bytes.len()) as c_ulong,
        extra_data_index: 0,
        data: bytes,
    })
}

/// A frame in the layout of CAN channels: the identifier before the data.
fn of_frame(kind: Kind, id: CanId, data: &[u8]) -> Box<Message> {
    let flags = if matches!(id, CanId::Extended(_)) { ID_29_BIT } else { 0 };
    message(kind, flags, &[&id.number().to_be_bytes(), data.get(..8).unwrap_or(data)].concat())
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
    /// Loads the library, opens its first device and a channel of this kind, with everything let through.
    pub(super) fn open(path: &Path, kind: Kind) -> Result<Self, std::io::Error> {
        let functions = Functions::load(path).map_err(|error| {
            let kind = if path.exists() { std::io::ErrorKind::InvalidData } else { std::io::ErrorKind::NotFound };
            std::io::Error::new(kind, error)
        })?;
        let mut device = 0;
        // SAFETY: no name means the first device; the number is written to a variable that lives here.
        let code = unsafe { (functions.open)(std::ptr::null(), &raw mut device) };
        functions.check("PassThruOpen", code).map_err(std::io::Error::other)?;
        // From here on dropping it closes the device.
        let mut opened = Self { functions, device, kind, channel: None, about: String::new(), is_overrun: false };
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
        let (flags, bit_s) = match kind {
            Kind::Can { kbit_s } => (ID_BOTH, c_ulong::from(kbit_s) * 1000),
            Kind::Iso9141 | Kind::Iso14230 => (0, K_LINE_BIT_S),
        };
        // SAFETY: plain numbers; the channel's is written to a variable that lives here.
        let code = unsafe { (opened.functions.connect)(device, kind.number(), flags, bit_s, &raw mut channel) };
        opened.functions.check("PassThruConnect", code).map_err(std::io::Error::other)?;
        opened.channel = Some(channel);
        // Without a filter nothing passes: on CAN one for each width of identifiers, with a mask that lets all through.
        let filters = match kind {
            Kind::Can { .. } => vec![of_frame(kind, CanId::Standard(0), &[]), of_frame(kind, CanId::Extended(0), &[])],
            Kind::Iso9141 | Kind::Iso14230 => vec![message(kind, 0, &[0])],
        };
        for all in filters {
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
    pub(super) fn send_frame(&mut self, frame: &CanFrame, timeout_ms: u32) -> Result<(), Status> {
        self.write(of_frame(self.kind, frame.id, &frame.data), timeout_ms)
    }

    /// Sends a message of a K-line, waiting up to `timeout_ms` until it has left; the library adds the check byte.
    pub(super) fn send_message(&mut self, bytes: &[u8], timeout_ms: u32) -> Result<(), Status> {
        self.write(message(self.kind, 0, bytes), timeout_ms)
    }

    fn write(&mut self, mut sent: Box<Message>, timeout_ms: u32) -> Result<(), Status> {
        let mut n = 1;
        // SAFETY: one message, which lives until after the call, and the number of messages.
        let code = unsafe {
            (self.functions.write)(self.channel.unwrap_or(0), &raw mut *sent, &raw mut n, c_ulong::from(timeout_ms))
        };
        self.functions.check("PassThruWriteMsgs", code)
    }

    /// The next frame of another sender; `None`: nothing within `timeout_ms`, or an echo.
    pub(super) fn receive_frame(&mut self, timeout_ms: u32) -> Result<Option<CanFrame>, Status> {
        let Some((rx_status, bytes)) = self.read(timeout_ms)? else { return Ok(None) };
        let Some((id, data)) = bytes.split_first_chunk::<4>() else { return Ok(None) };
        let number = u32::from_be_bytes(*id);
        let id = match u16::try_from(number) {
            Ok(id) if rx_status & ID_29_BIT == 0 && id <= 0x7FF => CanId::Standard(id),
            _ => CanId::Extended(number & 0x1FFF_FFFF),
        };
        Ok(Some(CanFrame::classic(id, data)))
    }

    /// The next whole message on a K-line, without its check byte; `None`: nothing within `timeout_ms`, an echo, or the
    /// word that one has begun.
    pub(super) fn receive_message(&mut self, timeout_ms: u32) -> Result<Option<Vec<u8>>, Status> {
        let read = self.read(timeout_ms)?;
        Ok(read.filter(|(rx_status, _)| rx_status & RX_IS_START == 0).map(|(_, bytes)| bytes))
    }

    /// Whether messages were lost since this was last asked.
    pub(super) fn take_overrun(&mut self) -> bool {
        std::mem::take(&mut self.is_overrun)
    }

    fn read(&mut self, timeout_ms: u32) -> Result<Option<(c_ulong, Vec<u8>)>, Status> {
        let mut got = message(self.kind, 0, &[]);
        let mut n = 1;
        // SAFETY: room for one message, which lives until after the call, and the number of messages.
        let code = unsafe {
            (self.functions.read)(self.channel.unwrap_or(0), &raw mut *got, &raw mut n, c_ulong::from(timeout_ms))
        };
        match self.functions.check("PassThruReadMsgs", code) {
            Err(status) if status.is_timeout() => return Ok(None),
            // The adapter is well: what it still has comes as ever.
            Err(status) if status.code == BUFFER_OVERFLOW => self.is_overrun = true,
            result => result?,
        }
        if n == 0 || got.data_size == 0 || got.rx_status & RX_IS_ECHO != 0 {
            return Ok(None);
        }
        let size = usize::try_from(got.data_size).unwrap_or(0);
        Ok(got.data.get(..size).map(|bytes| (got.rx_status, bytes.to_vec())))
    }

    /// Begins a conversation on a K-line with the address at five baud; the two key bytes of who answers.
    pub(super) fn five_baud_init(&mut self, mut address: u8) -> Result<Option<[u8; 2]>, Status> {
        let mut keys = [0; 2];
        let input = Bytes { n: 1, bytes: &raw mut address };
        let mut output = Bytes { n: 2, bytes: keys.as_mut_ptr() };
        let (from, to): (*const Bytes, *mut Bytes) = (&raw const input, &raw mut output);
        // SAFETY: both arrays and what they point to live until after the call; the library writes at most two bytes.
        let code =
            unsafe { (self.functions.control)(self.channel.unwrap_or(0), FIVE_BAUD_INIT, from.cast(), to.cast()) };
        Ok(self.answered("PassThruIoctl FIVE_BAUD_INIT", code)?.then_some(keys))
    }

    /// Begins a conversation on a K-line with the wake-up pattern and a request (header included); the answer to it.
    pub(super) fn fast_init(&mut self, request: &[u8]) -> Result<Option<Vec<u8>>, Status> {
        let input = message(self.kind, 0, request);
        let mut output = message(self.kind, 0, &[]);
        let (from, to): (*const Message, *mut Message) = (&raw const *input, &raw mut *output);
        // SAFETY: both messages live until after the call.
        let code = unsafe { (self.functions.control)(self.channel.unwrap_or(0), FAST_INIT, from.cast(), to.cast()) };
        let is_answered = self.answered("PassThruIoctl FAST_INIT", code)?;
        let size = usize::try_from(output.data_size).unwrap_or(0);
        Ok(output.data.get(..size).filter(|_| is_answered).map(<[u8]>::to_vec))
    }

    /// Whether somebody answered to a start: libraries say that nobody did as a time-out or as a failure.
    fn answered(&self, function: &'static str, code: c_long) -> Result<bool, Status> {
        match self.functions.check(function, code) {
            Ok(()) => Ok(true),
            Err(status) if status.is_timeout() || status.code == FAILED => Ok(false),
            Err(status) => Err(status),
        }
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
