//! Descriptions whose parts refer to each other without end: small as they stand, and larger than any machine once they are
//! written out. The limits are smaller here, so that reaching them takes no time.

use super::offer::MAX_OFFERED;

/// A base variant that answers at 7E0, with `spec` as its data objects, and so many services each with the response of its
/// number, or with the only one.
fn module(spec: &str, n_services: usize, responses: &[String]) -> String {
    let number = |kind: &str, bits: u32| {
        format!(
            "<DIAG-CODED-TYPE BASE-DATA-TYPE=\"A_UINT32\" xsi:type=\"STANDARD-LENGTH-TYPE\"><BIT-LENGTH>{bits}</BIT-LENGTH></DIAG-CODED-TYPE>{kind}"
        )
    };
    let constant = |name: &str, byte: usize, value: usize, bits: u32| {
        let coded = number("", bits);
        format!(
            "<PARAM xsi:type=\"CODED-CONST\"><SHORT-NAME>{name}</SHORT-NAME><BYTE-POSITION>{byte}</BYTE-POSITION><CODED-VALUE>{value}</CODED-VALUE>{coded}</PARAM>"
        )
    };
    let (mut comms, mut requests) = (String::new(), String::new());
    for idx in 0..n_services {
        let answer = idx.min(responses.len() - 1);
        comms += &format!(
            "<DIAG-SERVICE ID=\"s{idx}\"><SHORT-NAME>s{idx}</SHORT-NAME><REQUEST-REF ID-REF=\"q{idx}\"/><POS-RESPONSE-REFS><POS-RESPONSE-REF ID-REF=\"r{answer}\"/></POS-RESPONSE-REFS></DIAG-SERVICE>"
        );
        let (sid, did) = (constant("sid", 0, 0x22, 8), constant("did", 1, idx, 16));
        requests +=
            &format!("<REQUEST ID=\"q{idx}\"><SHORT-NAME>q{idx}</SHORT-NAME><PARAMS>{sid}{did}</PARAMS></REQUEST>");
    }
    let responses = responses.iter().enumerate().map(|(idx, parameters)| {
        format!(
            "<POS-RESPONSE ID=\"r{idx}\"><SHORT-NAME>r{idx}</SHORT-NAME><PARAMS>{parameters}</PARAMS></POS-RESPONSE>"
        )
    });
    let object = number("<PHYSICAL-TYPE BASE-DATA-TYPE=\"A_UINT32\"/>", 8);
    format!(
        "<BASE-VARIANT ID=\"b0\"><SHORT-NAME>b0</SHORT-NAME><COMPARAM-REFS>\
         <COMPARAM-REF ID-REF=\"x.CP_CanPhysReqId\"><SIMPLE-VALUE>2016</SIMPLE-VALUE></COMPARAM-REF>\
         <COMPARAM-REF ID-REF=\"x.CP_CanRespUSDTId\"><SIMPLE-VALUE>2024</SIMPLE-VALUE></COMPARAM-REF></COMPARAM-REFS>\
         <DIAG-DATA-DICTIONARY-SPEC><DATA-OBJECT-PROPS><DATA-OBJECT-PROP ID=\"d0\"><SHORT-NAME>d0</SHORT-NAME>\
         <COMPU-METHOD><CATEGORY>IDENTICAL</CATEGORY></COMPU-METHOD>{object}</DATA-OBJECT-PROP></DATA-OBJECT-PROPS>{spec}\
         </DIAG-DATA-DICTIONARY-SPEC><DIAG-COMMS>{comms}</DIAG-COMMS><REQUESTS>{requests}</REQUESTS>\
         <POS-RESPONSES>{}</POS-RESPONSES></BASE-VARIANT>",
        responses.collect::<String>()
    )
}

/// So many parameters behind the head of a response, each what `of` refers to.
fn parameters(n: usize, of: &str) -> String {
    let one = |idx: usize| {
        format!(
            "<PARAM xsi:type=\"VALUE\"><SHORT-NAME>p{idx}</SHORT-NAME><BYTE-POSITION>{}</BYTE-POSITION><DOP-REF ID-REF=\"{of}\"/></PARAM>",
            3 + idx
        )
    };
    (0..n).map(one).collect()
}

/// `n` structures, each with `n_each` of the next, and the last of plain numbers.
fn nested(n: usize, n_each: usize) -> String {
    let one = |idx: usize| {
        let of = if idx + 1 < n { format!("t{}", idx + 1) } else { "d0".to_owned() };
        format!(
            "<STRUCTURE ID=\"t{idx}\"><SHORT-NAME>t{idx}</SHORT-NAME><PARAMS>{}</PARAMS></STRUCTURE>",
            parameters(n_each, &of)
        )
    };
    format!("<STRUCTURES>{}</STRUCTURES>", (0..n).map(one).collect::<String>())
}

/// What refers to each other is small in the file and without end once it is written out.
#[test]
fn a_description_is_not_written_out_without_end() {
    let read = |layers: &str| {
        let text = format!(
            "<ODX MODEL-VERSION=\"2.2.0\"><DIAG-LAYER-CONTAINER ID=\"c\"><SHORT-NAME>c</SHORT-NAME><BASE-VARIANTS>{layers}</BASE-VARIANTS></DIAG-LAYER-CONTAINER></ODX>"
        );
        let mut definitions = crate::Definitions::standard();
        let file = definitions.load(text.as_bytes(), "a.odx", None).unwrap();
        let problems: Vec<String> = file.problems.iter().map(ToString::to_string).collect();
        (file.signals().len(), problems.join("\n"))
    };
    assert_eq!(read(&module("", 3, &[parameters(5, "d0")])), (15, String::new()));
    // Structures within structures, ten thousand deep: building them took the stack.
    let (n_signals, problems) = read(&module(&nested(10_000, 1), 1, &[parameters(1, "t0")]));
    assert!(n_signals == 0 && problems.contains("lies deeper than 64 in others"), "{problems}");
    // Eight deep with sixteen of each: four thousand million values.
    let (n_signals, _) = read(&module(&nested(8, 16), 1, &[parameters(1, "t0")]));
    assert!(n_signals <= 10_000, "{n_signals}");
    // Services that share a response: as many values as the one times the other.
    let (n_signals, problems) = read(&module("", 150, &[parameters(150, "d0")]));
    assert!(n_signals > 9000 && n_signals <= MAX_OFFERED, "{n_signals}");
    assert!(problems.contains("values and words"), "{problems}");
    // Forty layers, each with all before it as its parents: more ways through them than anybody can go.
    let layer = |idx: usize| {
        let parents = (0..idx).map(|parent| format!("<PARENT-REF ID-REF=\"b{parent}\"/>"));
        let parents = parents.collect::<String>();
        format!(
            "<BASE-VARIANT ID=\"b{idx}\"><SHORT-NAME>b{idx}</SHORT-NAME><PARENT-REFS>{parents}</PARENT-REFS></BASE-VARIANT>"
        )
    };
    let (n_signals, problems) =
        read(&(module("", 1, &[parameters(1, "d0")]) + &(1..40).map(layer).collect::<String>()));
    assert!(n_signals >= 1 && problems.contains("inherit from each other"), "{n_signals} {problems}");
    // Layers that have all services of one.
    let heir = |idx: usize| {
        format!(
            "<ECU-VARIANT ID=\"e{idx}\"><SHORT-NAME>e{idx}</SHORT-NAME><PARENT-REFS><PARENT-REF ID-REF=\"b0\"/></PARENT-REFS></ECU-VARIANT>"
        )
    };
    let (n_signals, problems) =
        read(&(module("", 150, &[parameters(1, "d0")]) + &(0..150).map(heir).collect::<String>()));
    assert!(n_signals == 150 && problems.contains("in all layers together"), "{n_signals} {problems}");
}

/// Found by fuzzing: what is sent would be neither of the two constants' request.
#[test]
fn a_request_whose_constants_lie_over_each_other_is_not_sent() {
    let object = "<DATA-OBJECT-PROP ID=\"none\"/>";
    let file = module(object, 1, &[String::new()]);
    let over = file.replace("<BYTE-POSITION>1</BYTE-POSITION>", "<BYTE-POSITION>0</BYTE-POSITION>");
    for (file, is_sound) in [(file, true), (over, false)] {
        let database = super::Database::read(file.as_bytes(), "a.odx").unwrap();
        let service = &database.layers[0].services[0];
        assert_eq!(service.request(&[]).is_ok(), is_sound, "{:?}", service.request(&[]));
    }
}
