//! The maker's file that comes with the car is one that the project can read, and fits the car.

#[test]
fn the_definition_file_loads_and_fits() {
    let mut definitions = definition::Definitions::standard();
    let file = definitions.load_toml(standin::DEFINITIONS, "tarnwick.toml").expect("a good file");
    assert!(file.fits_vin(Some(standin::VIN)));
    assert_eq!(file.modules.len(), 3);
    let wheel: signal::SignalId = "wheel.speed.rear_left".parse().expect("an id of the contract");
    let found = definitions.of(&wheel).next().expect("the file has it");
    // 0x1234 = 4660 hundredths of a km/h.
    let value = found.value(&[0, 0, 0, 0, 0x12, 0x34, 0, 0]).expect("eight bytes");
    assert!((value - 46.60).abs() < 1e-9, "{value}");
}

/// A road script of one's own, with an error that names its line.
#[test]
fn a_script_comes_from_a_file() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("own.road");
    let spec = format!("fell?script={}", path.display());
    std::fs::write(&path, "engine cold\nambient 3\n30 speed 0\n").expect("written");
    let lines = standin::trace(&spec, 1.0, 2.0).expect("a good script");
    let column = |name: &str| lines[0].split(',').position(|title| title == name).expect(name);
    let coolant: f64 = lines[1].split(',').nth(column("coolant_c")).and_then(|v| v.parse().ok()).expect("a number");
    assert!((3.0..4.0).contains(&coolant), "{coolant}");
    std::fs::write(&path, "30 speed 0\n10 speed fast\n").expect("written");
    let error = standin::dial(&spec).err().expect("a bad script").to_string();
    assert!(error.contains("own.road") && error.contains("line 2") && error.contains("speed"), "{error}");
}
