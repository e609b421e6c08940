//! Minuend as a plug-in.
