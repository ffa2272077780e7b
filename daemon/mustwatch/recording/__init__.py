"""What people write: entries of the book, by the same rules from command, page and API."""
