//! Results as text, picture, page and files.
