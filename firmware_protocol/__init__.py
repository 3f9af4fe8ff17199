"""The open protocol between a measuring device and a host, version 1: SPEC.md says every byte.

Sans-io and standard library only. A device or host in Python needs these names:

    encode_frame, FrameDecoder, Frame, BadFrame      bytes on the line
    encode_message, decode_payload                   payloads
    Hello, Describe, Samples, Status ...             messages.py; requests are in requests.py
    Layout, NoReading                                channels in a samples message
    measured, scaled                                 conversion.py, from raw numbers to the channel's unit
"""
