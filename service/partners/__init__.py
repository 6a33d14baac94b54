"""Business partners and the purchase contracts that decide what is payable."""
