"""Whether a device keeps to SPEC.md: bytes and times in, requests and faults out.

rules        every rule that is checked, its section and its words
cbor_walk    where in a body an item lies, and what is not in its usual form
observer     what any frame and its neighbours must hold, live or from recorded bytes
script       what is asked of a live device, and what it must answer
check        both together, without a port: `ConformanceCheck`
report       faults and frames in words and hex
"""
