"""The weighbridge clerk's pages."""
