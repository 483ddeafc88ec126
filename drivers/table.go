package drivers

// Table lists the drivers. To add a driver, add a line here.
func Table() []Driver {
	return []Driver{
		lineDriver(),
		fixedDriver(),
		patternDriver(),
		bcd13Driver(),
		askDriver(),
		scpiDriver(),
		modbusRTUDriver(),
		modbusTCPDriver(),
		typedDriver(),
	}
}
