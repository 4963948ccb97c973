// Runs the sensor sketch under the WebAssembly port of MicroPython: node micropython_runner.mjs PORT SKETCH MACHINE
import fs from "node:fs";

const [port, sketch, machine] = process.argv.slice(2);
const { loadMicroPython } = await import(port);
let waiting = "";
let flushed = Date.now();

function flush() {
  let bytes = Buffer.from(waiting);
  waiting = "";
  while (bytes.length) {
    try {
      bytes = bytes.subarray(fs.writeSync(1, bytes));
    } catch (error) {
      if (error.code !== "EAGAIN") throw error;
    }
  }
  flushed = Date.now();
}

function stdout(line) {
  waiting += line + "\n";
  if (Date.now() - flushed > 4) flush();
}

const python = await loadMicroPython({ heapsize: 256 * 1024, stdout });
const never = new Int32Array(new SharedArrayBuffer(4));
python.registerJsModule("host", { pause: () => { flush(); Atomics.wait(never, 0, 0, 2); } });
for (const name of ["accelerometer.py", "line_stream.py", "main.py"]) {
  python.FS.writeFile(name, fs.readFileSync(`${sketch}/${name}`));
}
python.FS.writeFile("machine.py", fs.readFileSync(machine));
try {
  python.runPython("import main");
} catch (error) {
  if (!String(error).includes("SystemExit")) {
    console.error(String(error));
    process.exitCode = 1;
  }
}
flush();
python.runPython("from machine import chip\nprint('# made', chip.made(), 'dropped', chip.dropped)");
flush();
