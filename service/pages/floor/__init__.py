"""The shop floor's pages: runs, vessels, bags."""
