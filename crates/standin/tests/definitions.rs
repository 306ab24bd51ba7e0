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
