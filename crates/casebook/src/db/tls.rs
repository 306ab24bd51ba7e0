//! Secured connections to the server, by what its URL says: `sslmode` and `sslrootcert`, as the server's own clients read
//! them (PostgreSQL documentation, "SSL Support" of libpq; from memory).
//!
//! Nobody is trusted by default: who signs a shop's server is in no list of the operating system, so that a connection is
//! proven to reach the right one only with a file of the certificates that are trusted.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use percent_encoding::percent_decode_str;
use postgres::config::SslMode;
use postgres::{Client, Config, NoTls};
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, ring, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{ClientConfig, DigitallySignedStruct, RootCertStore, SignatureScheme};
use tokio_postgres_rustls::MakeRustlsConnect;

use crate::CasebookError;

/// How a connection is secured.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Security {
    /// Not at all.
    Disable,
    /// Encrypted if the server can; whoever it is.
    Prefer,
    /// Encrypted; whoever it is.
    Require,
    /// Encrypted, and it is the host that was named, by one of the certificates in this file.
    VerifyFull(PathBuf),
}

/// Connects as the URL says.
pub(super) fn connect(url: &str) -> Result<Client, CasebookError> {
    let (url, security) = split(url)?;
    let mut config: Config = url.parse()?;
    config.ssl_mode(match security {
        Security::Disable => SslMode::Disable,
        Security::Prefer => SslMode::Prefer,
        Security::Require | Security::VerifyFull(_) => SslMode::Require,
    });
    match tls(&security)? {
        Some(tls) => Ok(config.connect(MakeRustlsConnect::new(tls))?),
        None => Ok(config.connect(NoTls)?),
    }
}

/// A URL without what it says of security, and that.
fn split(url: &str) -> Result<(String, Security), CasebookError> {
    let (place, query) = url.split_once('?').unwrap_or((url, ""));
    let (mut mode, mut roots) = (None, None);
    let mut others = Vec::new();
    for pair in query.split('&').filter(|pair| !pair.is_empty()) {
        match pair.split_once('=') {
            Some(("sslmode", value)) => mode = Some(value),
            Some(("sslrootcert", value)) => {
                roots = Some(PathBuf::from(percent_decode_str(value).decode_utf8_lossy().into_owned()));
            }
            _ => others.push(pair),
        }
    }
    let security = match (mode, roots) {
        (Some("disable"), None) => Security::Disable,
        (None | Some("prefer"), None) => Security::Prefer,
        (Some("require"), None) => Security::Require,
        (Some("verify-full"), Some(roots)) => Security::VerifyFull(roots),
        (Some("verify-full"), None) => {
            return Err(refused("sslmode=verify-full needs sslrootcert=FILE.pem, the certificates that are trusted"));
        }
        (_, Some(_)) => return Err(refused("sslrootcert goes with sslmode=verify-full")),
        (Some(other), None) => {
            let other = other.escape_debug();
            return Err(refused(format!("sslmode is disable, prefer, require or verify-full, not `{other}`")));
        }
    };
    let query = if others.is_empty() { String::new() } else { format!("?{}", others.join("&")) };
    Ok((format!("{place}{query}"), security))
}

fn refused(what: impl ToString) -> CasebookError {
    CasebookError::Security(what.to_string())
}

fn tls(security: &Security) -> Result<Option<ClientConfig>, CasebookError> {
    let provider = Arc::new(ring::default_provider());
    let config = ClientConfig::builder_with_provider(Arc::clone(&provider));
    let config = config.with_safe_default_protocol_versions().map_err(refused)?;
    Ok(match security {
        Security::Disable => None,
        Security::Prefer | Security::Require => {
            let config = config.dangerous().with_custom_certificate_verifier(Arc::new(Anyone(provider)));
            Some(config.with_no_client_auth())
        }
        Security::VerifyFull(file) => Some(config.with_root_certificates(roots(file)?).with_no_client_auth()),
    })
}

fn roots(file: &Path) -> Result<RootCertStore, CasebookError> {
    let unusable = |what: String| refused(format!("{}: {what}", file.display()));
    let text = std::fs::read(file).map_err(|error| unusable(error.to_string()))?;
    let mut roots = RootCertStore::empty();
    for certificate in CertificateDer::pem_slice_iter(&text) {
        let certificate = certificate.map_err(|error| unusable(error.to_string()))?;
        roots.add(certificate).map_err(|error| unusable(error.to_string()))?;
    }
    if roots.is_empty() {
        return Err(unusable("there is no certificate in it (PEM, `-----BEGIN CERTIFICATE-----`)".to_owned()));
    }
    Ok(roots)
}

/// Believes every certificate: what is sent is hidden from whoever only listens, and from nobody else. That is what
/// `prefer` and `require` promise.
#[derive(Debug)]
struct Anyone(Arc<CryptoProvider>);

impl ServerCertVerifier for Anyone {
    fn verify_server_cert(
        &self,
        _: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls12_signature(message, certificate, signed, &self.0.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls13_signature(message, certificate, signed, &self.0.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.0.signature_verification_algorithms.supported_schemes()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_url_says_how_it_is_secured() {
        let (url, security) = split("postgres://shop@db/cases").unwrap();
        assert_eq!((url.as_str(), security), ("postgres://shop@db/cases", Security::Prefer));
        let (url, security) = split("postgres://db/cases?sslmode=require&connect_timeout=5").unwrap();
        assert_eq!((url.as_str(), security), ("postgres://db/cases?connect_timeout=5", Security::Require));
        let (url, security) = split("postgres://db/c?sslrootcert=/etc/our%20shop.pem&sslmode=verify-full").unwrap();
        assert_eq!((url.as_str(), security), ("postgres://db/c", Security::VerifyFull("/etc/our shop.pem".into())));
        for wrong in ["sslmode=verify-full", "sslmode=maybe", "sslrootcert=x.pem", "sslmode=require&sslrootcert=x.pem"]
        {
            assert!(split(&format!("postgres://db/c?{wrong}")).is_err(), "{wrong}");
        }
    }
}
