"""Pages of balances over periods and of stock counts."""
