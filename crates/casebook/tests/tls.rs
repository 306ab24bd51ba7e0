//! A secured connection to a real server, whose certificate is made here. It runs where `WITNESS_POSTGRES` names a server
//! on which files may be written, as `cargo xtask test` starts one.

#![cfg(feature = "postgres")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::time::{Duration, Instant};

use casebook::{Author, Casebook, CasebookError, NewCase};
use postgres::{Client, NoTls};

/// Gives the server a certificate for this address, in PEM form.
fn secure(client: &mut Client, address: &str) -> String {
    let made = rcgen::generate_simple_self_signed(vec![address.to_owned()]).unwrap();
    let certificate = made.cert.pem();
    for (name, text) in [("casebook.crt", &certificate), ("casebook.key", &made.signing_key.serialize_pem())] {
        // As the server's own user, in its own folder: it takes no key that others can read.
        let line = text.trim().replace("\r\n", "|").replace('\n', "|");
        let keep = format!("umask 077; tr \"|\" \"\\n\" > {name}");
        client.batch_execute(&format!("COPY (SELECT '{line}') TO PROGRAM '{keep}'")).unwrap();
    }
    for set in ["ssl_cert_file = 'casebook.crt'", "ssl_key_file = 'casebook.key'", "ssl = on"] {
        client.batch_execute(&format!("ALTER SYSTEM SET {set}")).unwrap();
    }
    client.batch_execute("SELECT pg_reload_conf()").unwrap();
    certificate
}

#[test]
fn a_server_is_reached_in_secret_and_known_by_its_certificate() {
    let Ok(server) = std::env::var("WITNESS_POSTGRES") else {
        eprintln!("skipped: WITNESS_POSTGRES is not set, nothing was tried on a server");
        return;
    };
    let mut client = Client::connect(&format!("{server}/postgres"), NoTls).unwrap();
    client.batch_execute("DROP DATABASE IF EXISTS secured").unwrap();
    client.batch_execute("CREATE DATABASE secured").unwrap();
    let folder = tempfile::tempdir().unwrap();
    let (own, strange) = (folder.path().join("own.pem"), folder.path().join("strange.pem"));
    std::fs::write(&own, secure(&mut client, "127.0.0.1")).unwrap();
    let other = rcgen::generate_simple_self_signed(vec!["127.0.0.1".to_owned()]).unwrap();
    std::fs::write(&strange, other.cert.pem()).unwrap();

    let open = |server: &str, how: &str| Casebook::open(&format!("{server}/secured?{how}"));
    // The server reads its settings anew in its own time.
    let began = Instant::now();
    let mut casebook = loop {
        match open(&server, "sslmode=require") {
            Ok(casebook) => break casebook,
            Err(error) if began.elapsed() > Duration::from_secs(20) => panic!("{error}"),
            Err(_) => std::thread::sleep(Duration::from_millis(50)),
        }
    };
    let secured =
        "SELECT count(*) FROM pg_stat_ssl JOIN pg_stat_activity USING (pid) WHERE datname = 'secured' AND ssl";
    assert_eq!(client.query_one(secured, &[]).unwrap().get::<_, i64>(0), 1, "the server says that it is encrypted");
    let me = Author { who: "Ada".into(), software: "test 1".into() };
    assert_eq!(casebook.open_case(&me, &NewCase::default()).unwrap().number, 1);

    let as_said = |mode: &str, server: &str, file: &std::path::Path| {
        open(server, &format!("sslmode={mode}&sslrootcert={}", file.display()))
    };
    let verified = |server: &str, file: &std::path::Path| as_said("verify-full", server, file);
    assert_eq!(verified(&server, &own).unwrap().list(9).unwrap().len(), 1);
    let refused = |outcome: Result<Casebook, CasebookError>| outcome.err().map(|error| error.to_string()).unwrap();
    let stranger = refused(verified(&server, &strange));
    assert!(stranger.contains("certificate"), "{stranger}");
    let misnamed = refused(verified(&server.replace("127.0.0.1", "localhost"), &own));
    assert!(misnamed.contains("certificate"), "{misnamed}");
    // Without its name it is still the one with a trusted certificate, and nobody else.
    let elsewhere = server.replace("127.0.0.1", "localhost");
    assert_eq!(as_said("verify-ca", &elsewhere, &own).unwrap().list(9).unwrap().len(), 1);
    let stranger = refused(as_said("verify-ca", &server, &strange));
    assert!(stranger.contains("certificate"), "{stranger}");
    let nowhere = refused(verified(&server, &folder.path().join("no.pem")));
    assert!(nowhere.contains("no.pem"), "{nowhere}");
}
