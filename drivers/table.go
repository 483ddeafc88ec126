package drivers

// Table lists the drivers. A new one is a line here.
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
