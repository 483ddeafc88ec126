"""A Modbus server of Debian's python3-pymodbus, with registers set from outside.

usage: modbus_server.py rtu DEVICE [UNITS] | tcp PORT
Each line on standard input is ADDRESS HEX [UNIT]: the words to hold from that
address on, in holding and input registers alike, of the unit with that number.
There are so many units, counted from 1; without UNITS it answers as any unit.
"ready" is printed when lines are read, "set" after each line.
"""
import asyncio
import sys
import threading

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer

units = int(sys.argv[3]) if len(sys.argv) > 3 else 0
blocks = {unit: ModbusSequentialDataBlock(0, [0] * 32) for unit in range(1, max(units, 1) + 1)}
slaves = {unit: ModbusSlaveContext(hr=block, ir=block, zero_mode=True) for unit, block in blocks.items()}
context = ModbusServerContext(slaves=slaves if units else slaves[1], single=not units)


def follow():
    """Runs in a thread: serving a serial line can keep the event loop busy."""
    print("ready", flush=True)
    for line in sys.stdin:
        address, words, unit = (line.split() + ["1"])[:3]
        blocks[int(unit)].setValues(int(address), [int(words[i:i + 4], 16) for i in range(0, len(words), 4)])
        print("set", flush=True)


async def serve():
    threading.Thread(target=follow, daemon=True).start()
    if sys.argv[1] == "rtu":
        await StartAsyncSerialServer(context=context, framer=ModbusRtuFramer, port=sys.argv[2], baudrate=19200, parity="N")
    else:
        await StartAsyncTcpServer(context=context, framer=ModbusSocketFramer, address=("127.0.0.1", int(sys.argv[2])))


asyncio.run(serve())
