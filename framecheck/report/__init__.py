"""Report: files and page; draws and writes, computes nothing."""
