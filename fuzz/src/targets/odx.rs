//! Diagnostic descriptions (ODX, PDX), and messages read and written with what is in them.

use definition::odx::{Database, Value};

use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "odx",
    max_len: 64 << 10,
    words: &[
        "<ODX MODEL-VERSION=\"2.2.0\">",
        "<DIAG-LAYER-CONTAINER ID=\"a\">",
        "<BASE-VARIANT ID=\"b\">",
        "<SHORT-NAME>",
        "<DIAG-SERVICE ID=\"c\">",
        "<REQUEST-REF ID-REF=\"d\"/>",
        "<PARAM xsi:type=\"CODED-CONST\">",
        "<PARAM xsi:type=\"VALUE\">",
        "<BYTE-POSITION>",
        "<BIT-LENGTH>",
        "<CODED-VALUE>",
        "<DOP-REF ID-REF=\"e\"/>",
        "<DIAG-CODED-TYPE BASE-DATA-TYPE=\"A_UINT32\" xsi:type=\"STANDARD-LENGTH-TYPE\">",
        "MIN-MAX-LENGTH-TYPE",
        "LEADING-LENGTH-INFO-TYPE",
        "PARAM-LENGTH-INFO-TYPE",
        "A_UNICODE2STRING",
        "A_BYTEFIELD",
        "A_ASCIISTRING",
        "<COMPU-METHOD><CATEGORY>LINEAR</CATEGORY>",
        "TEXTTABLE",
        "RAT-FUNC",
        "TAB-INTP",
        "<MUX ID=\"f\">",
        "<!DOCTYPE",
        "<END-OF-PDU-FIELD ID=\"g\">",
        "<DYNAMIC-LENGTH-FIELD ID=\"h\">",
        "<!ENTITY",
        "&lt;",
        "<![CDATA[",
    ],
    seeds,
    run,
};

/// What is read from a message's bytes lies in them; a request that can be written without values reads back.
fn run(input: &[u8]) {
    let Ok(database) = Database::read(input, "fuzz.odx") else { return };
    let messages: [&[u8]; 5] = [&[], &[0x62], &[0x62, 0x12, 0x34, 1, 2, 3, 4, 5, 6, 7], &[0xFF; 40], &[0; 300]];
    for service in database.layers.iter().flat_map(|layer| &layer.services).take(50) {
        let request = service.request(&[]);
        if let Ok(request) = &request {
            assert!(service.read_request(request).is_ok() || service.request_parameters().next().is_some());
        }
        let request = request.unwrap_or_default();
        for message in messages {
            let _ = service.read_request(message);
            if let Ok(decoded) = service.read_response(message, &request) {
                assert!(n_bytes(&decoded.values) <= 64 * message.len().max(1) + 4096, "{decoded:?}");
            }
        }
        for (name, _) in service.responses() {
            let _ = service.response(name, &[], &request);
        }
    }
    let _ = database.identify(|_| Some(messages[2].to_vec()));
    for layer in &database.layers {
        let _ = (layer.address(), layer.name.len());
    }
    let _ = definition::Definitions::standard().load(input, "fuzz.odx", None).map(|file| file.signals().len());
}

/// Bytes that a value takes in memory, about.
fn n_bytes(value: &Value) -> usize {
    match value {
        Value::Number(_) | Value::Code(_) => 8,
        Value::Text(text) => text.len(),
        Value::Bytes(bytes) => bytes.len(),
        Value::Structure(fields) => fields.iter().map(|(_, value)| n_bytes(value)).sum(),
        Value::List(values) => values.iter().map(n_bytes).sum(),
        Value::Case(_, value) => n_bytes(value),
    }
}

fn seeds(seeds: &mut Seeds) {
    seeds.add_files("odx_example", ".pdx", 64 << 10);
    seeds.add_members("odx_example", ".pdx");
    seeds.add(include_str!("../../../crates/definition/tests/data/parts.odx-d"));
}
