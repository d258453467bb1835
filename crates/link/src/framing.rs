//! Frames on a stream: four bytes of length, most significant first, then that many bytes.

use quinn::{ReadError, RecvStream, SendStream};

use crate::peer::{Closed, Line};

/// No frame is longer.
pub const FRAME_BYTES: usize = 1024 * 1024;

/// Room is made for this much at a time, however long a frame says it will be.
const STEP_BYTES: usize = 64 * 1024;

/// Why a frame was not sent.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SendError {
    /// Longer than any frame may be. Nothing was sent; shorter ones still can be.
    #[error("a message of {bytes} bytes is too long: {FRAME_BYTES} is the most")]
    TooLong {
        /// Its length.
        bytes: usize,
    },
    /// An earlier send was given up half way, so the other side can't make sense of more.
    #[error("an earlier message was cut off: connect again")]
    CutOff,
    /// The connection is gone.
    #[error(transparent)]
    Closed(#[from] Closed),
}

/// Why no frame was received.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReceiveError {
    /// The peer announced a frame longer than any may be. The connection was closed.
    #[error("the other device announced a message of {bytes} bytes: {FRAME_BYTES} is the most")]
    TooLong {
        /// The length it announced.
        bytes: u32,
    },
    /// The peer ended its stream within a frame.
    #[error("the other device stopped in the middle of a message")]
    CutOff,
    /// The connection is gone.
    #[error(transparent)]
    Closed(#[from] Closed),
}

/// Sends frames to one peer.
#[derive(Debug)]
pub struct FrameSender {
    stream: SendStream,
    line: Line,
    cut_off: bool,
}

impl FrameSender {
    pub(crate) fn new(stream: SendStream, line: Line) -> Self {
        Self {
            stream,
            line,
            cut_off: false,
        }
    }

    /// Sends one frame. Waits while the peer is slow to read, which is how it holds us back.
    ///
    /// Giving up on the returned future half way leaves a torn frame behind; every later send then
    /// answers [`SendError::CutOff`].
    ///
    /// # Errors
    ///
    /// [`SendError`].
    pub async fn send(&mut self, frame: &[u8]) -> Result<(), SendError> {
        let length = u32::try_from(frame.len())
            .ok()
            .filter(|_| frame.len() <= FRAME_BYTES)
            .ok_or(SendError::TooLong { bytes: frame.len() })?;
        if self.cut_off {
            return Err(SendError::CutOff);
        }
        self.cut_off = true;
        let line = &self.line;
        let gone = |_| SendError::Closed(line.why_gone());
        self.stream
            .write_all(&length.to_be_bytes())
            .await
            .map_err(gone)?;
        self.stream.write_all(frame).await.map_err(gone)?;
        self.cut_off = false;
        Ok(())
    }

    /// Says that no more comes, and waits until the peer has everything. Dropping a connection
    /// without this may lose what was sent last.
    ///
    /// # Errors
    ///
    /// [`Closed`] when the connection went before the peer had everything.
    pub async fn finish(mut self) -> Result<(), Closed> {
        let _ = self.stream.finish(); // Finished already, by a lost connection: the next line says so.
        match self.stream.stopped().await {
            Ok(_) => Ok(()),
            Err(_) => Err(self.line.why_gone()),
        }
    }
}

/// Receives frames from one peer.
#[derive(Debug)]
pub struct FrameReceiver {
    stream: RecvStream,
    line: Line,
    header: [u8; 4],
    header_filled: usize,
    body: Vec<u8>,
    body_filled: usize,
}

impl FrameReceiver {
    pub(crate) fn new(stream: RecvStream, line: Line) -> Self {
        Self {
            stream,
            line,
            header: [0; 4],
            header_filled: 0,
            body: Vec::new(),
            body_filled: 0,
        }
    }

    /// The next frame; nothing when the peer has said that no more comes.
    ///
    /// May be given up on at any point and called again: what came is kept.
    ///
    /// # Errors
    ///
    /// [`ReceiveError`].
    pub async fn receive(&mut self) -> Result<Option<Vec<u8>>, ReceiveError> {
        while self.header_filled < self.header.len() {
            let read = self
                .stream
                .read(&mut self.header[self.header_filled..])
                .await;
            match read.map_err(|error| gone(&self.line, &error))? {
                Some(bytes) => self.header_filled += bytes,
                None if self.header_filled == 0 => return Ok(None),
                None => return Err(ReceiveError::CutOff),
            }
        }
        let announced = u32::from_be_bytes(self.header);
        let length = announced as usize;
        if length > FRAME_BYTES {
            self.line.refuse("message too long");
            return Err(ReceiveError::TooLong { bytes: announced });
        }
        while self.body_filled < length {
            if self.body_filled == self.body.len() {
                self.body
                    .resize(length.min(self.body.len() + STEP_BYTES), 0);
            }
            let read = self.stream.read(&mut self.body[self.body_filled..]).await;
            match read.map_err(|error| gone(&self.line, &error))? {
                Some(bytes) => self.body_filled += bytes,
                None => return Err(ReceiveError::CutOff),
            }
        }
        self.header_filled = 0;
        self.body_filled = 0;
        Ok(Some(std::mem::take(&mut self.body)))
    }
}

fn gone(line: &Line, error: &ReadError) -> ReceiveError {
    match error {
        ReadError::Reset(_) => ReceiveError::CutOff,
        _ => ReceiveError::Closed(line.why_gone()),
    }
}
