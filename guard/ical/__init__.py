"""Calendar files, RFC 5545: cut into entries, read one by one, expanded, and written."""
