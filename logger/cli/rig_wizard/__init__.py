"""`rimelog rig new`: a rig file by question and answer."""
