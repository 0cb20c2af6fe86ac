"""Facts into the numbers people argue about. Pure: frames in, frames out; nothing here reads or writes a file."""
