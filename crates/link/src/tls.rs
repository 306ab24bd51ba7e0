//! Secured connections (TLS 1.2 and 1.3), as diagnostics over IP may need them (ISO 13400-2 of 2019).
//!
//! Nobody is trusted by default: who signs a vehicle's certificate differs from maker to maker and is in no list of the
//! operating system, so the user names a file with the certificates that are trusted.

use std::io::{Error, ErrorKind, Read, Write};
use std::net::TcpStream;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use protocol::Nanos;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};

use crate::stream::{Stream, StreamPort};
use crate::tcp::CONNECT_LIMIT;
use crate::{Dial, Port, PortError, TcpDial};

/// Whom to trust.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trust {
    /// A file with one or more certificates in PEM form: those that sign vehicles' certificates, or a vehicle's own if it
    /// signed itself.
    pub authorities: PathBuf,
    /// The name that the vehicle's certificate must be for; `None`: the host of the address.
    pub name: Option<String>,
}

/// Opens secured connections to one vehicle.
pub(crate) struct TlsDial {
    tcp: TcpDial,
    host: String,
    trust: Trust,
}

impl TlsDial {
    /// `address`: what the user wrote, for messages.
    pub(crate) fn new(host: &str, port: u16, trust: Trust, address: &str) -> Self {
        Self { tcp: TcpDial::new(host, port, address), host: host.to_owned(), trust }
    }

    fn config(&self) -> Result<ClientConfig, Error> {
        let file = &self.trust.authorities;
        let unusable = |what: String| Error::new(ErrorKind::InvalidInput, format!("{}: {what}", file.display()));
        // Read apart, so that the system's reason is told.
        let text = std::fs::read(file).map_err(|error| unusable(error.to_string()))?;
        let mut roots = RootCertStore::empty();
        for certificate in CertificateDer::pem_slice_iter(&text) {
            let certificate = certificate.map_err(|error| unusable(error.to_string()))?;
            roots.add(certificate).map_err(|error| unusable(error.to_string()))?;
        }
        if roots.is_empty() {
            return Err(unusable("there is no certificate in it (PEM, `-----BEGIN CERTIFICATE-----`)".to_owned()));
        }
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions();
        Ok(config.map_err(Error::other)?.with_root_certificates(roots).with_no_client_auth())
    }

    fn connect(&self) -> Result<StreamOwned<ClientConnection, TcpStream>, Error> {
        let name = self.trust.name.as_deref().unwrap_or(&self.host).to_owned();
        let name = ServerName::try_from(name).map_err(|error| Error::new(ErrorKind::InvalidInput, error))?;
        let mut connection = ClientConnection::new(Arc::new(self.config()?), name).map_err(Error::other)?;
        let mut stream = self.tcp.connect()?;
        stream.set_read_timeout(Some(CONNECT_LIMIT))?;
        while connection.is_handshaking() {
            connection.complete_io(&mut stream)?;
        }
        Ok(StreamOwned::new(connection, stream))
    }
}

impl Dial for TlsDial {
    fn address(&self) -> &str {
        self.tcp.address()
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        let address = self.tcp.address().to_owned();
        match self.connect() {
            Ok(stream) => Ok(Box::new(StreamPort { stream, address, clock: self.tcp.clock() })),
            Err(source) => Err(PortError::Open { address, source }),
        }
    }

    fn now(&self) -> Nanos {
        self.tcp.now()
    }

    fn pause(&mut self, nanos: Nanos) {
        self.tcp.pause(nanos);
    }
}

impl Stream for StreamOwned<ClientConnection, TcpStream> {
    fn read_within(&mut self, buffer: &mut [u8], left: Duration) -> std::io::Result<usize> {
        // A time-out of zero would mean to wait for ever. A record that has come in part stays with the connection.
        self.sock.set_nonblocking(left.is_zero())?;
        if !left.is_zero() {
            self.sock.set_read_timeout(Some(left))?;
        }
        let read = self.read(buffer);
        self.sock.set_nonblocking(false)?;
        read
    }

    fn write_all(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        Write::write_all(self, bytes)?;
        self.flush()
    }
}
