"""A shop's own shelf of tubes that it has scanned whole, and finding the one that fits a broken one."""
