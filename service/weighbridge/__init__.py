"""The gate: deliveries, their weighings and deductions, and the bales that come out of them."""
