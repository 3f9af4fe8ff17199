"""Jobs on the disk.

place: where jobs are. writer (ring, jobfile, checkpoints, ballast): the one thread that writes. reader (rollup): all
others. seal, copy: closing and copying. doctor, rescue, carve: what is whole, and saving the rest. database, schema/,
rows, packing, blocks: the file itself.
"""
