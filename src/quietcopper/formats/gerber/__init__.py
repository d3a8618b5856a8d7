"""Gerber layer files, drill, netlist and job files: fabrication data read into a Board."""
