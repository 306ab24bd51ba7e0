//! The targets, one file each.

mod at_text;
mod can_log;
mod case_file;
mod dbc;
mod definitions;
mod doip;
mod drive_file;
mod interchange;
mod isotp_channel;
mod isotp_frames;
mod k_line;
mod link;
mod messages;
mod obd;
mod odx;
mod picture;
mod saved;
mod slcan;
mod table;
mod uds;
mod words;
mod workbench;

use definition::{Coded, Raw};

use crate::Target;

/// All targets, those first that strangers reach most easily.
pub const TARGETS: &[Target] = &[
    at_text::TARGET,
    slcan::TARGET,
    link::TARGET,
    isotp_frames::TARGET,
    isotp_channel::TARGET,
    obd::TARGET,
    uds::TARGET,
    k_line::TARGET,
    doip::TARGET,
    drive_file::TARGET,
    table::TARGET,
    can_log::TARGET,
    interchange::PARQUET,
    interchange::MDF,
    dbc::TARGET,
    definitions::TARGET,
    odx::TARGET,
    case_file::ZIP,
    case_file::LEDGER,
    picture::TARGET,
    saved::TARGET,
    words::TARGET,
    workbench::TARGET,
];

/// A coded value lies within a frame, and what is written reads back.
fn coded(coded: &Coded) {
    assert!(coded.bits.is_sound(), "{coded:?}");
    for data in [[0; 64], [0xFF; 64], [0x5A; 64]] {
        let Some(raw) = coded.bits.raw(&data) else { continue };
        let _ = (coded.physical_from_raw(raw), coded.text(&data));
        let mut again = data.to_vec();
        // A float that is no number has many spellings, and ones' complement two zeros.
        if raw.number().is_finite() && coded.bits.write(raw, &mut again).is_some() {
            assert_eq!(coded.bits.raw(&again), Some(raw), "{coded:?}");
            let is_zero = matches!(raw, Raw::Whole(0));
            assert!(is_zero || again == data, "{coded:?}");
        }
    }
}
