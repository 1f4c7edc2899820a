//! The sensors on trees of kernel files: written ones here, captured ones in `captured`.

mod captured;
mod lies;
mod trees;
mod written;
