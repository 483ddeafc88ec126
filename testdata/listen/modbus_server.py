"""A Modbus server of Debian's python3-pymodbus, with registers set from outside.

usage: modbus_server.py rtu DEVICE | tcp PORT
Each line on standard input is ADDRESS HEX: the words to hold from that address
on, in holding and input registers alike. "ready" is printed when lines are read,
"set" after each line.
"""
import asyncio
import sys
import threading

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer

block = ModbusSequentialDataBlock(0, [0] * 32)
context = ModbusServerContext(slaves=ModbusSlaveContext(hr=block, ir=block, zero_mode=True), single=True)


def follow():
    """Runs in a thread: serving a serial line can keep the event loop busy."""
    print("ready", flush=True)
    for line in sys.stdin:
        address, words = line.split()
        block.setValues(int(address), [int(words[i:i + 4], 16) for i in range(0, len(words), 4)])
        print("set", flush=True)


async def serve():
    threading.Thread(target=follow, daemon=True).start()
    if sys.argv[1] == "rtu":
        await StartAsyncSerialServer(context=context, framer=ModbusRtuFramer, port=sys.argv[2], baudrate=19200, parity="N")
    else:
        await StartAsyncTcpServer(context=context, framer=ModbusSocketFramer, address=("127.0.0.1", int(sys.argv[2])))


asyncio.run(serve())
