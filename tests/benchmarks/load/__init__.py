"""How much one process of the service bears: steady rates, bursts, slow clients, slow records, hours."""
