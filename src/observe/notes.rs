//! Notes form of a readings file.
