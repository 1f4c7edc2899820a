//! The certificate and key that the hub serves with.

use std::path::Path;
use std::sync::Arc;

use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

use crate::failure::Failure;

/// What `serve` needs for TLS: a certificate chain and its key, both PEM.
///
/// # Errors
/// Files that cannot be read, hold nothing of the kind, or don't belong together.
pub fn server_config(certificate: &Path, key: &Path) -> Result<Arc<ServerConfig>, Failure> {
    let chain = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|e| unreadable("certificate", certificate, &e.to_string()))?;
    if chain.is_empty() {
        return Err(unreadable("certificate", certificate, "no PEM certificate is in it"));
    }
    let key_der = PrivateKeyDer::from_pem_file(key).map_err(|e| unreadable("key", key, &e.to_string()))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .and_then(|builder| builder.with_no_client_auth().with_single_cert(chain, key_der));
    let mut config = config.map_err(|e| {
        Failure::new(format!("cannot serve with `{}` and `{}`: {e}", certificate.display(), key.display()))
            .remedy("check that the key belongs to the first certificate of the file")
    })?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(Arc::new(config))
}

fn unreadable(what: &str, path: &Path, why: &str) -> Failure {
    Failure::at(&format!("read the {what}"), path, why)
        .remedy("give PEM files: `--tls-cert chain.pem --tls-key key.pem`")
}
