//! AT-command serial adapters: runs the conversation of [`protocol::at`] over a port.

use protocol::Nanos;
use protocol::at::{Action, Adapter, Failure, Outcome};

use crate::{Dial, Exchange, Link, LinkError, LinkInfo, Port, PortError, Request, Settings};

/// A link through an AT-command serial adapter.
pub struct AtLink {
    dial: Box<dyn Dial>,
    /// `None` after a loss, until [`Link::reopen`].
    port: Option<Box<dyn Port>>,
    adapter: Adapter,
    info: LinkInfo,
    settings: Settings,
}

impl AtLink {
    /// Opens the port and starts the adapter, at each line rate that `dial` knows.
    ///
    /// # Errors
    /// [`LinkError`] of the first attempt; with [`Settings::need_vehicle`] also [`LinkError::NoVehicle`].
    pub fn start(dial: Box<dyn Dial>, settings: Settings) -> Result<Self, LinkError> {
        let info = LinkInfo { adapter: String::new(), bus: None, notes: Vec::new(), n_losses: 0 };
        let mut link = Self { dial, port: None, adapter: Adapter::new(None), info, settings };
        let mut first = None;
        loop {
            match link.reopen() {
                Ok(()) => return Ok(link),
                // Silence and garbage are what a wrong line rate looks like.
                Err(error @ (LinkError::AdapterSilent { .. } | LinkError::NotAnAdapter { .. })) => {
                    let error = first.take().unwrap_or(error);
                    if !link.dial.try_next() {
                        return Err(error);
                    }
                    first = Some(error);
                }
                Err(error) => return Err(error),
            }
        }
    }

    /// Runs the adapter's conversation until the operation that was begun is over.
    fn run(&mut self) -> Result<Option<Outcome>, LinkError> {
        let result = self.converse();
        let known = self.adapter.known();
        self.info.adapter.clone_from(&known.adapter);
        self.info.bus = known.bus;
        self.info.notes.clone_from(&known.notes);
        self.info.n_losses = known.n_losses;
        if result.as_ref().is_err_and(LinkError::is_lost) {
            self.port = None;
        }
        result
    }

    fn converse(&mut self) -> Result<Option<Outcome>, LinkError> {
        let Some(port) = self.port.as_mut() else {
            return Err(LinkError::Port(PortError::Lost {
                address: self.dial.address().to_owned(),
                source: std::io::ErrorKind::NotConnected.into(),
            }));
        };
        let mut buffer = [0; 1024];
        loop {
            match self.adapter.poll(port.now()) {
                Action::Send(bytes) => port.write_all(&bytes)?,
                Action::Wait(deadline) => match port.read_until(&mut buffer, deadline)? {
                    0 => self.adapter.elapsed(port.now()),
                    n => self.adapter.receive(port.now(), buffer.get(..n).unwrap_or(&buffer)),
                },
                Action::Done(Ok(outcome)) => return Ok(Some(outcome)),
                Action::Done(Err(failure)) => return Err(named(failure, self.dial.address())),
                Action::Idle => return Ok(None),
            }
        }
    }
}

fn named(failure: Failure, address: &str) -> LinkError {
    let address = address.to_owned();
    match failure {
        Failure::Silent { asked, waited_ms } => LinkError::AdapterSilent { address, asked, waited_ms },
        Failure::NotAnAdapter { said } => LinkError::NotAnAdapter { address, said },
        Failure::Unreadable { said } => LinkError::Unreadable { address, said },
        Failure::NoVehicle { said } => LinkError::NoVehicle { address, said },
        Failure::Unsendable(why) => LinkError::Unsendable(why),
    }
}

impl Link for AtLink {
    fn info(&self) -> &LinkInfo {
        &self.info
    }

    fn now(&self) -> Nanos {
        self.port.as_ref().map_or_else(|| self.dial.now(), |port| port.now())
    }

    fn pause(&mut self, nanos: Nanos) {
        let end = self.now().saturating_add(nanos);
        let mut buffer = [0; 256];
        while self.now() < end {
            let Some(port) = self.port.as_mut() else {
                self.dial.pause(end.saturating_sub(self.dial.now()));
                return;
            };
            let due = self.adapter.keep_alive_at();
            if due.is_some_and(|due| due <= port.now()) {
                self.adapter.keep_alive();
                // A failure shows again in the next exchange, where somebody can be told.
                let _ = self.run();
                continue;
            }
            // Listening while waiting: text that nobody asked for must not be taken for an answer later.
            match port.read_until(&mut buffer, due.map_or(end, |due| due.min(end))) {
                Ok(0) => {}
                Ok(n) => self.adapter.receive(port.now(), buffer.get(..n).unwrap_or(&buffer)),
                Err(_) => self.port = None,
            }
        }
    }

    fn exchange(&mut self, request: &Request) -> Result<Exchange, LinkError> {
        self.adapter.ask(request);
        match self.run()? {
            Some(Outcome::Answered(exchange)) => Ok(exchange),
            _ => Err(LinkError::Unsendable("the adapter's conversation ended without an answer".to_owned())),
        }
    }

    fn supply_volts(&mut self) -> Result<Option<f64>, LinkError> {
        self.adapter.ask_volts();
        match self.run()? {
            Some(Outcome::Volts(volts)) => Ok(volts),
            _ => Ok(None),
        }
    }

    fn round_trip_ns(&mut self) -> Result<Option<Nanos>, LinkError> {
        let asked = self.now();
        // The voltage is the one question that every adapter answers by itself.
        Ok(self.supply_volts()?.map(|_| self.now() - asked))
    }

    fn reopen(&mut self) -> Result<(), LinkError> {
        // Closed before it is opened again: a serial port is exclusive.
        self.port = None;
        self.port = Some(self.dial.dial()?);
        self.adapter = Adapter::new(self.info.bus.or(self.settings.bus));
        self.adapter.start(self.settings.need_vehicle);
        self.run().map(|_| ())
    }
}
