"""The airside: blower, ducts and filters meet at one operating point."""
