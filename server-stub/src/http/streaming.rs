//! An answer that is written while it is sent: by a thread that may wait, through a short queue, never held whole.

use std::io::{self, Write};
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::body::{Body, Bytes, HttpBody};
use hyper::body::Frame;
use tokio::runtime::Handle;
use tokio::sync::{OwnedSemaphorePermit, mpsc};
use tokio::time::timeout;

/// Bytes handed over at once.
const PIECE_BYTES: usize = 64 * 1024;
/// Pieces that wait for a slow reader.
const N_PIECES: usize = 4;
/// A reader that takes nothing for so long is given up.
const PATIENCE: Duration = Duration::from_mins(1);

/// A body that `write` writes. `place` is given back once it has ended. An error breaks the connection off, so that no
/// reader takes half an answer for a whole one.
pub(super) fn body(
    place: OwnedSemaphorePermit,
    write: impl FnOnce(&mut dyn Write) -> io::Result<()> + Send + 'static,
) -> Body {
    let (sender, receiver) = mpsc::channel(N_PIECES);
    let handle = Handle::current();
    tokio::task::spawn_blocking(move || {
        let _place = place;
        let mut writer = Pieces { sender, handle, piece: Vec::with_capacity(PIECE_BYTES) };
        if let Err(e) = write(&mut writer).and_then(|()| writer.flush()) {
            if e.kind() == io::ErrorKind::BrokenPipe {
                tracing::debug!("a reader went away before the end");
            } else {
                tracing::error!(error = %e, "an answer broke off");
            }
            let _ = writer.send(Err(e));
        }
    });
    Body::new(Receiving(receiver))
}

struct Pieces {
    sender: mpsc::Sender<io::Result<Bytes>>,
    handle: Handle,
    piece: Vec<u8>,
}

impl Pieces {
    fn send(&self, piece: io::Result<Bytes>) -> io::Result<()> {
        match self.handle.block_on(timeout(PATIENCE, self.sender.send(piece))) {
            Ok(Ok(())) => Ok(()),
            Ok(Err(_)) | Err(_) => Err(io::ErrorKind::BrokenPipe.into()),
        }
    }
}

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let n = bytes.len().min(PIECE_BYTES - self.piece.len());
        self.piece.extend_from_slice(&bytes[..n]);
        if self.piece.len() == PIECE_BYTES {
            self.flush()?;
        }
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.piece.is_empty() {
            return Ok(());
        }
        let piece = std::mem::replace(&mut self.piece, Vec::with_capacity(PIECE_BYTES));
        self.send(Ok(piece.into()))
    }
}

struct Receiving(mpsc::Receiver<io::Result<Bytes>>);

impl HttpBody for Receiving {
    type Data = Bytes;
    type Error = io::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<io::Result<Frame<Bytes>>>> {
        self.0.poll_recv(context).map(|piece| piece.map(|piece| piece.map(Frame::data)))
    }
}
