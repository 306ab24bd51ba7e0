//! What goes to a page while it is open: one WebSocket per client.
//!
//! State and events are JSON texts. Samples are binary frames, see [`frame`]. A client says what it watches and how
//! often; it confirms every frame, and while some are unconfirmed no more are sent: what came meanwhile is thinned into
//! the next one. So a slow phone gets fewer points, and neither the car nor the recording ever waits for it.

pub(crate) mod feed;
pub(crate) mod frame;
pub(crate) mod socket;
