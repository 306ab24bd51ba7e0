//! Drives that are being looked at, kept in memory while they are.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime};

use drive::Opened;

use crate::failure::Failure;

/// Drives that are kept at the same time: before and after, and one more.
const KEPT: usize = 3;
/// How long one that nobody looks at is kept.
const UNUSED: Duration = Duration::from_secs(10 * 60);

/// Opened drives by their file.
#[derive(Default)]
pub(crate) struct Shelf {
    books: Mutex<Vec<Book>>,
}

struct Book {
    path: PathBuf,
    /// A file that changed since is read again.
    modified: Option<SystemTime>,
    used: Instant,
    opened: Arc<Opened>,
}

impl Shelf {
    /// The drive in this file, read if it is not at hand. Blocks while it reads.
    pub(crate) fn open(&self, path: &Path) -> Result<Arc<Opened>, Failure> {
        let modified = std::fs::metadata(path).and_then(|about| about.modified()).ok();
        if let Some(opened) = self.at_hand(path, modified) {
            return Ok(opened);
        }
        let opened = Arc::new(drive::read(path)?);
        let mut books = self.books.lock().unwrap_or_else(PoisonError::into_inner);
        books.retain(|book| book.path != path);
        if books.len() >= KEPT
            && let Some((oldest, _)) = books.iter().enumerate().min_by_key(|(_, book)| book.used)
        {
            books.remove(oldest);
        }
        books.push(Book { path: path.to_owned(), modified, used: Instant::now(), opened: Arc::clone(&opened) });
        Ok(opened)
    }

    fn at_hand(&self, path: &Path, modified: Option<SystemTime>) -> Option<Arc<Opened>> {
        let mut books = self.books.lock().unwrap_or_else(PoisonError::into_inner);
        let book = books.iter_mut().find(|book| book.path == path && book.modified == modified)?;
        book.used = Instant::now();
        Some(Arc::clone(&book.opened))
    }

    /// Puts away what nobody looked at for a while.
    pub(crate) fn tidy(&self) {
        self.books.lock().unwrap_or_else(PoisonError::into_inner).retain(|book| book.used.elapsed() < UNUSED);
    }
}
