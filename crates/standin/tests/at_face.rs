//! The stand-in through its AT-command face, as a tester meets it.

use link::Port;

const S: i64 = 1_000_000_000;

struct Tester {
    dial: Box<dyn link::Dial>,
    port: Box<dyn Port>,
}

impl Tester {
    fn new(spec: &str) -> Self {
        let mut dial = standin::dial(spec).expect(spec);
        let port = dial.dial().expect("the stand-in is always there");
        Self { dial, port }
    }

    /// Sends a line and reads up to the prompt; `None` if it does not come within 30 s of the stand-in's time.
    fn ask(&mut self, line: &str) -> Option<String> {
        self.port.write_all(format!("{line}\r").as_bytes()).ok()?;
        self.read()
    }

    fn read(&mut self) -> Option<String> {
        let deadline = self.port.now() + 30 * S;
        let mut said = Vec::new();
        let mut buffer = [0; 64];
        loop {
            let n = self.port.read_until(&mut buffer, deadline).ok()?;
            if n == 0 {
                return None;
            }
            said.extend(&buffer[..n]);
            if said.ends_with(b">") {
                return Some(String::from_utf8_lossy(&said).into_owned());
            }
        }
    }
}

#[test]
fn start_up_and_first_request() {
    let mut t = Tester::new("fell?script=idle");
    let hello = t.ask("ATZ").expect("a prompt");
    assert!(hello.starts_with("ATZ\r") && hello.ends_with("v1.0\r\r>"), "{hello:?}");
    assert_eq!(t.ask("ATE0").as_deref(), Some("ATE0\rOK\r\r>"));
    let first = t.ask("0100").expect("a prompt");
    // Engine and gearbox answer; brake and body know no service 01.
    assert!(first.starts_with("SEARCHING...\r41 00 "), "{first:?}");
    assert_eq!(first.matches("41 00").count(), 2, "{first:?}");
    assert_eq!(t.ask("ATDPN").as_deref(), Some("A6\r\r>"));
    let speed = t.ask("010C1").expect("a prompt");
    assert!(speed.starts_with("41 0C ") && speed.len() == 15, "{speed:?}");
    assert_eq!(t.ask("ATH1").as_deref(), Some("OK\r\r>"));
    assert_eq!(t.ask("ATS0").as_deref(), Some("OK\r\r>"));
    let vin = t.ask("09023").expect("a prompt");
    assert_eq!(vin, "7E81014490201475457\r7E821464C364131394A\r7E8224B313034323137\r\r>");
    assert_eq!(t.ask("01FF").as_deref(), Some("NO DATA\r\r>"));
    assert_eq!(t.ask("hello").as_deref(), Some("?\r\r>"));
    drop(t.dial);
}
