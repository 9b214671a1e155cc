"""The desk: the whole job in a browser on the same machine, every action the library's own call."""
