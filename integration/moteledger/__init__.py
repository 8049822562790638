"""Everything that touches the world: settings, intake, storage, the local API, what people see."""
