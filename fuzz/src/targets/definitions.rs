//! Makers' definition files (TOML), and what is made of answers with them.

use definition::Definitions;

use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "definitions",
    max_len: 8192,
    words: &[
        "[[modules]]\n",
        "[[signals]]\n",
        "[[outputs]]\n",
        "[[routines]]\n",
        "[[codes]]\n",
        "[[messages]]\n",
        "id = \"",
        "address = \"7E8\"\n",
        "did = 0x",
        "local = 0x",
        "byte = ",
        "bit = ",
        "bits = ",
        "unit = \"",
        "multiply = ",
        "encoding = \"",
        "vin = [\"",
        "name = \"",
        "custom.",
        "routine = ",
        "safe = ",
        "= 9223372036854775807\n",
        "= nan\n",
    ],
    seeds,
    run,
};

/// A value is a number that its definition holds for possible; every request that can be built is one of its kind.
fn run(input: &[u8]) {
    let Ok(text) = std::str::from_utf8(input) else { return };
    let mut definitions = Definitions::standard();
    if definitions.load_toml(text, "fuzz.toml").is_err() {
        return;
    }
    let answers: [&[u8]; 4] = [&[], &[0], &[0xFF; 16], &[0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0]];
    for signal in definitions.maker_signals(None) {
        assert!(!signal.read.request().is_empty());
        for data in answers {
            assert!(signal.value(data).is_ok_and(f64::is_finite) || signal.value(data).is_err());
            let _ = signal.text(data);
        }
    }
    for output in definitions.outputs(None) {
        let request = output.drive_request(output.safe);
        let given_back = output.return_request();
        assert!(request.is_ok_and(|bytes| !bytes.is_empty()) && !given_back.is_empty(), "{output:?}");
        assert!(!output.is_on(output.safe));
        for level in [0.0, 1.0, output.on_level(), f64::NAN, f64::INFINITY, -1e300] {
            let _ = output.drive_request(level);
        }
        let _ = output.confirmed(&given_back, &[0x6F, 0x12, 0x34, 0]);
    }
    for routine in definitions.routines(None) {
        let _ = routine.start_request(&[]);
        let _ = (routine.stop_request(), routine.results_request());
        let _ = routine.confirmed(&routine.results_request(), &[0x71, 3, 0, 1, 2, 3]);
    }
    for file in definitions.files() {
        let _ = (file.fits_vin(Some("1G4AH59H45G118341")), file.fits_vin(None));
    }
}

fn seeds(seeds: &mut Seeds) {
    seeds.add(standin::DEFINITIONS);
    seeds.add(standin::FEN_DEFINITIONS);
    seeds.add(include_str!("../../../crates/definition/data/makers/example.toml"));
}
