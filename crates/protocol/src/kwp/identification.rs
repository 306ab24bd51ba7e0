//! Service 1A: what a module says of itself.

use super::after_echo;
use crate::ReplyError;

/// Everything in one table, whose layout is the maker's.
pub const TABLE: u8 = 0x80;
/// VIN.
pub const VIN: u8 = 0x90;
/// The maker's hardware number.
pub const HARDWARE_NUMBER: u8 = 0x91;
/// The supplier's hardware number.
pub const SUPPLIER_HARDWARE_NUMBER: u8 = 0x92;
/// The supplier's software number.
pub const SOFTWARE_NUMBER: u8 = 0x94;
/// The supplier's software version.
pub const SOFTWARE_VERSION: u8 = 0x95;
/// Name of the system, or engine type.
pub const SYSTEM_NAME: u8 = 0x97;

/// The items that are worth asking for, with what they are.
pub const ITEMS: [(u8, &str); 7] = [
    (TABLE, "identification table"),
    (VIN, "vehicle identification number"),
    (HARDWARE_NUMBER, "hardware number"),
    (SUPPLIER_HARDWARE_NUMBER, "supplier's hardware number"),
    (SOFTWARE_NUMBER, "software number"),
    (SOFTWARE_VERSION, "software version"),
    (SYSTEM_NAME, "system name or engine type"),
];

/// Asks for an item.
///
/// ```
/// assert_eq!(protocol::kwp::identification::request(0x90), [0x1A, 0x90]);
/// ```
#[must_use]
pub fn request(item: u8) -> Vec<u8> {
    vec![0x1A, item]
}

/// Reads a reply to [`request`]: the bytes behind the item's number.
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or of another item.
pub fn interpret<'r>(request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
    after_echo(request, reply, 1)
}
