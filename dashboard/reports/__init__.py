"""What is printed: the sheet of one landing and the digest of a week, as HTML, PDF and JSON."""
