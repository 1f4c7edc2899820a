//! Certificates that a test makes for itself.

use std::path::{Path, PathBuf};

use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};

use super::hub::{Hub, Serving};

/// An authority and a server's certificate from it, made for one test alone.
pub(crate) struct Certificates {
    folder: tempfile::TempDir,
}

impl Certificates {
    /// The server's certificate is for this name.
    pub(crate) fn for_name(name: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let mut authority = CertificateParams::new(Vec::new()).expect("parameters");
        authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let authority_key = KeyPair::generate().expect("a key");
        let authority_pem = authority.self_signed(&authority_key).expect("a certificate").pem();
        let issuer = Issuer::new(authority, authority_key);
        let key = KeyPair::generate().expect("a key");
        let params = CertificateParams::new(vec![name.to_owned()]).expect("parameters");
        let chain_pem = params.signed_by(&key, &issuer).expect("a certificate").pem();
        let made = Self { folder };
        for (file, text) in
            [("ca.pem", authority_pem), ("chain.pem", chain_pem), ("key.pem", key.serialize_pem())]
        {
            std::fs::write(made.file(file), text).expect("written");
        }
        made
    }

    /// `ca.pem`, `chain.pem` or `key.pem`.
    pub(crate) fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Path of the authority's certificate.
    pub(crate) fn authority(&self) -> String {
        text(&self.file("ca.pem"))
    }

    /// A hub that serves with it.
    pub(crate) fn serve(&self, hub: &Hub) -> Serving {
        let (chain, key) = (text(&self.file("chain.pem")), text(&self.file("key.pem")));
        hub.serve_with(&["--tls-cert", &chain, "--tls-key", &key])
    }
}

/// A path as an argument.
pub(crate) fn text(path: &Path) -> String {
    path.to_str().expect("UTF-8").to_owned()
}
