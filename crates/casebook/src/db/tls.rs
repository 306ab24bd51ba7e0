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
use rustls::client::WebPkiServerVerifier;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, ring, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{
    CertificateError, ClientConfig, ConfigBuilder, DigitallySignedStruct, RootCertStore, SignatureScheme, WantsVerifier,
};
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
    /// Encrypted, and it has a certificate that one in this file signed, for whatever host.
    VerifyCa(PathBuf),
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
        Security::Require | Security::VerifyCa(_) | Security::VerifyFull(_) => SslMode::Require,
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
        // Whoever names the certificates wants them looked at: so the server's own clients read it too.
        (Some("verify-ca" | "require"), Some(roots)) => Security::VerifyCa(roots),
        (Some(mode @ ("verify-ca" | "verify-full")), None) => {
            let what = "needs sslrootcert=FILE.pem, the certificates that are trusted";
            return Err(refused(format!("sslmode={mode} {what}")));
        }
        (_, Some(_)) => return Err(refused("sslrootcert goes with sslmode=verify-full or verify-ca")),
        (Some(other), None) => {
            let other = other.escape_debug();
            return Err(refused(format!(
                "sslmode is disable, prefer, require, verify-ca or verify-full, not `{other}`"
            )));
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
        Security::Prefer | Security::Require => Some(by(config, NotByName { provider, signed_by: None })),
        Security::VerifyCa(file) => {
            let roots = Arc::new(roots(file)?);
            let signed_by = WebPkiServerVerifier::builder_with_provider(roots, Arc::clone(&provider));
            let signed_by = Some(signed_by.build().map_err(refused)?);
            Some(by(config, NotByName { provider, signed_by }))
        }
        Security::VerifyFull(file) => Some(config.with_root_certificates(roots(file)?).with_no_client_auth()),
    })
}

fn by(config: ConfigBuilder<ClientConfig, WantsVerifier>, verifier: NotByName) -> ClientConfig {
    config.dangerous().with_custom_certificate_verifier(Arc::new(verifier)).with_no_client_auth()
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

/// Looks at no name. With certificates that are trusted it believes what they signed (`verify-ca`); without, everything:
/// what is sent is then hidden from whoever only listens, and from nobody else, as `prefer` and `require` promise.
#[derive(Debug)]
struct NotByName {
    provider: Arc<CryptoProvider>,
    signed_by: Option<Arc<WebPkiServerVerifier>>,
}

impl ServerCertVerifier for NotByName {
    fn verify_server_cert(
        &self,
        certificate: &CertificateDer<'_>,
        between: &[CertificateDer<'_>],
        name: &ServerName<'_>,
        status: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        let Some(signed_by) = &self.signed_by else { return Ok(ServerCertVerified::assertion()) };
        match signed_by.verify_server_cert(certificate, between, name, status, now) {
            // The name is looked at last, when everything else was right.
            Err(rustls::Error::InvalidCertificate(
                CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. },
            )) => Ok(ServerCertVerified::assertion()),
            outcome => outcome,
        }
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls12_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls13_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
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
        for mode in ["verify-ca", "require"] {
            let (_, security) = split(&format!("postgres://db/c?sslmode={mode}&sslrootcert=x.pem")).unwrap();
            assert_eq!(security, Security::VerifyCa("x.pem".into()));
        }
        for wrong in [
            "sslmode=verify-full",
            "sslmode=verify-ca",
            "sslmode=maybe",
            "sslrootcert=x.pem",
            "sslmode=prefer&sslrootcert=x.pem",
        ] {
            assert!(split(&format!("postgres://db/c?{wrong}")).is_err(), "{wrong}");
        }
    }
}
