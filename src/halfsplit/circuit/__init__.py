"""The circuit engine: node voltages and currents, healthy or with faults, and what switches because of them."""
