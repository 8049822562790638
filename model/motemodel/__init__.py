"""The physics, estimation and planning of particles in a house's air: values in, values out."""
