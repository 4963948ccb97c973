"""show: what people see."""
