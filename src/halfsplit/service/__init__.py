"""The use cases: what a person asks of halfsplit. The command line calls only this.

Every use case takes a ``Desk`` (the store, the clock and who is working) and returns frozen results whose
plain JSON values ``results.to_data`` gives.
"""
