//! A tester with a virtual clock.
// Each test program uses its own part of this; a missing prompt ends the test.
#![allow(dead_code, unreachable_pub, clippy::panic)]

use link::Port;

/// One second of the stand-in's time.
pub const S: i64 = 1_000_000_000;

/// An open stand-in.
pub struct Tester {
    pub dial: Box<dyn link::Dial>,
    pub port: Box<dyn Port>,
}

impl Tester {
    pub fn new(spec: &str) -> Self {
        let mut dial = standin::dial(spec).expect(spec);
        let port = dial.dial().expect("the stand-in is always there");
        Self { dial, port }
    }

    /// Sends a line and reads up to the prompt.
    pub fn ask(&mut self, line: &str) -> String {
        self.port.write_all(format!("{line}\r").as_bytes()).expect("the stand-in listens");
        self.read().unwrap_or_else(|said| panic!("no prompt after `{line}`: {said:?}"))
    }

    /// As [`Tester::ask`], without the prompt and with lines joined by `|`.
    pub fn lines(&mut self, line: &str) -> String {
        self.ask(line).trim_end_matches('>').split('\r').filter(|l| !l.is_empty()).collect::<Vec<_>>().join("|")
    }

    /// Reads up to the prompt; the text so far if it does not come within 40 s of the stand-in's time.
    pub fn read(&mut self) -> Result<String, String> {
        let deadline = self.port.now() + 40 * S;
        let mut said = Vec::new();
        let mut buffer = [0; 64];
        loop {
            let n = self.port.read_until(&mut buffer, deadline).map_err(|error| error.to_string())?;
            said.extend(&buffer[..n]);
            if n == 0 {
                return Err(String::from_utf8_lossy(&said).into_owned());
            }
            if said.ends_with(b">") {
                return Ok(String::from_utf8_lossy(&said).into_owned());
            }
        }
    }

    /// A tester that has set up headers and no spaces on an 11-bit bus.
    pub fn plain(spec: &str) -> Self {
        let mut tester = Self::new(spec);
        for line in ["ATE0", "ATSP6", "ATS0", "ATH1"] {
            tester.ask(line);
        }
        tester
    }

    /// Hex bytes of the first single-frame reply to a physical request.
    pub fn bytes(&mut self, header: &str, request: &str) -> String {
        self.ask(&format!("ATSH{header}"));
        self.lines(&format!("{request}1")).chars().skip(5).collect()
    }
}
