//! The PIDs of SAE J1979 / ISO 15031-5, one row each.
//!
//! To add a PID, write its row at its place in the table of its range: number, data bytes, title, values. A value is
//! named once in the whole table; the words it is described with are those of [`words`]. Nothing else has to be
//! touched: the value can then be read, shown and recorded as `custom.` plus its name.
//!
//! Source, unless a row says otherwise: the decode tables of a general-purpose packet library for SAE J1979, checked
//! against a public table of OBD PIDs. SAE J1979 itself was not at hand. The tests name every difference.

mod from_00;
mod from_40;
mod from_65;
mod from_80;
mod words;

use super::pid::Pid;

/// Every row, by rising PID.
pub(super) fn all() -> impl Iterator<Item = &'static Pid> {
    [from_00::TABLE, from_40::TABLE, from_65::TABLE, from_80::TABLE].into_iter().flatten()
}
