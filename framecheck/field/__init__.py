"""Field: how size and shape vary over the sensor."""
