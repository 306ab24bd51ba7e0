//! Drives that are being looked at, kept in memory while they are.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use drive::Opened;

use crate::failure::Failure;
use crate::overview::{Overview, Stamp};

/// Drives that are kept at the same time: before and after, and one more.
const KEPT: usize = 3;
/// How long one that nobody looks at is kept.
const UNUSED: Duration = Duration::from_secs(10 * 60);

/// Opened drives and their overviews.
#[derive(Default)]
pub(crate) struct Shelf {
    drives: Row<Opened>,
    pub(crate) overviews: Row<Overview>,
}

impl Shelf {
    /// The drive in this file, read if it is not at hand. Blocks while it reads.
    pub(crate) fn open(&self, path: &Path) -> Result<Arc<Opened>, Failure> {
        self.drives.get(path, || Ok(drive::read(path)?))
    }

    /// Puts away what nobody looked at for a while.
    pub(crate) fn tidy(&self) {
        self.drives.tidy();
        self.overviews.tidy();
    }
}

/// What was made of some files.
pub(crate) struct Row<T> {
    books: Mutex<Vec<Book<T>>>,
    /// Held while a file is read: those who ask for the same meanwhile find it at hand, and no two take memory at a time.
    reading: Mutex<()>,
}

struct Book<T> {
    path: PathBuf,
    /// A file that changed since is read again.
    stamp: Option<Stamp>,
    used: Instant,
    content: Arc<T>,
}

impl<T> Default for Row<T> {
    fn default() -> Self {
        Self { books: Mutex::default(), reading: Mutex::default() }
    }
}

impl<T> Row<T> {
    /// What belongs to this file, made by `read` if it is not at hand.
    pub(crate) fn get(&self, path: &Path, read: impl FnOnce() -> Result<T, Failure>) -> Result<Arc<T>, Failure> {
        let stamp = Stamp::of(path);
        if let Some(content) = self.at_hand(path, stamp) {
            return Ok(content);
        }
        let _turn = self.reading.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(content) = self.at_hand(path, stamp) {
            return Ok(content);
        }
        let content = Arc::new(read()?);
        let mut books = self.books.lock().unwrap_or_else(PoisonError::into_inner);
        books.retain(|book| book.path != path);
        if books.len() >= KEPT
            && let Some((oldest, _)) = books.iter().enumerate().min_by_key(|(_, book)| book.used)
        {
            books.remove(oldest);
        }
        books.push(Book { path: path.to_owned(), stamp, used: Instant::now(), content: Arc::clone(&content) });
        Ok(content)
    }

    fn at_hand(&self, path: &Path, stamp: Option<Stamp>) -> Option<Arc<T>> {
        let mut books = self.books.lock().unwrap_or_else(PoisonError::into_inner);
        let book = books.iter_mut().find(|book| book.path == path && book.stamp == stamp)?;
        book.used = Instant::now();
        Some(Arc::clone(&book.content))
    }

    fn tidy(&self) {
        self.books.lock().unwrap_or_else(PoisonError::into_inner).retain(|book| book.used.elapsed() < UNUSED);
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU32, Ordering};

    use super::*;

    #[test]
    fn a_drive_that_many_ask_for_at_a_time_is_read_once() {
        let (row, n_read) = (Row::<u32>::default(), AtomicU32::new(0));
        let read = || {
            std::thread::sleep(Duration::from_millis(20));
            Ok(n_read.fetch_add(1, Ordering::SeqCst))
        };
        std::thread::scope(|scope| {
            for _ in 0..8 {
                scope.spawn(|| row.get(Path::new("a"), read).unwrap());
            }
        });
        assert_eq!(n_read.load(Ordering::SeqCst), 1);
    }
}
