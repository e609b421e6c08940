"""Plays a mix through the VST3 in a headless host that is not ours, dawdreamer, with the backing on its second bus.

Usage: vst3_host.py JSON, an object with

plugin    folder of the bundle
rate      sample rate, Hz
block     length of the host's blocks, samples
mix, backing, out
          files of raw float32, [channel][sample]; the host does not take the latency off, so `out` is as late as the
          plug-in is, and ends when the mix does
channels  channels of mix, and of backing
open      optional: a state to open first
save      optional: where the state goes afterwards
set       optional: parameters by name, 0 to 1
trim      optional: a file of raw float32, Trim as 0 to 1 for every sample

Prints the latency, samples.
"""

import json
import sys

import dawdreamer
import numpy as np

job = json.loads(sys.argv[1])
mix, backing = (
    np.fromfile(job[name], dtype=np.float32).reshape(job["channels"], -1) for name in ("mix", "backing")
)
engine = dawdreamer.RenderEngine(job["rate"], job["block"])
plugin = engine.make_plugin_processor("minuend", job["plugin"])
if "open" in job:
    plugin.load_state(job["open"])
names = [plugin.get_parameter_name(i) for i in range(plugin.get_plugin_parameter_size())]
for name, value in job.get("set", {}).items():
    plugin.set_parameter(names.index(name), value)
if "trim" in job:
    plugin.set_automation(names.index("Trim"), np.fromfile(job["trim"], dtype=np.float32))

engine.load_graph(
    [
        (engine.make_playback_processor("mix", mix), []),
        (engine.make_playback_processor("backing", backing), []),
        (plugin, ["mix", "backing"]),
    ]
)
# The host cuts off fractions of a sample, also those that rounding leaves.
engine.render((mix.shape[1] + 0.5) / job["rate"])
heard = engine.get_audio().astype(np.float32)[: job["channels"], : mix.shape[1]]
np.ascontiguousarray(heard).tofile(job["out"])
if "save" in job:
    plugin.save_state(job["save"])
print(plugin.get_latency_samples())
