"use strict";
const TURN = 1 << 17; // samples
// The arithmetic of playing: pure functions on arrays of samples, no browser audio.
const Sound = {
  bytes(base64) {
    const raw = atob(base64);
    const out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i += 1) out[i] = raw.charCodeAt(i);
    return out;
  },

  // The device's codes, little-endian and interleaved, as samples: full scale is 1.
  channels(data, width, count) {
    const view = new DataView(data.buffer);
    const frames = Math.floor(data.length / (width * count));
    const read = [
      null,
      (at) => view.getInt8(at) / 128,
      (at) => view.getInt16(at, true) / 32768,
      (at) => (view.getUint8(at) | (view.getInt16(at + 1, true) << 8)) / 8388608,
      (at) => view.getFloat32(at, true),
    ][width];
    return Array.from({ length: count }, (_, channel) => {
      const out = new Float32Array(frames);
      for (let i = 0; i < frames; i += 1) out[i] = read((i * count + channel) * width);
      return out;
    });
  },

  // Played `ratio` times as fast, the way a sampler does: straight lines between stored samples, at its own rate.
  varispeed(samples, ratio, loop, most) {
    const last = samples.length - 1;
    if (last < 0) return new Float32Array(1);
    const whole = Math.floor(last / ratio) + 1;
    const out = new Float32Array(loop ? most : Math.min(whole, most));
    const turn = loop ? loop.end - loop.start : 0;
    for (let i = 0; i < out.length; i += 1) {
      let at = i * ratio;
      if (loop && at >= loop.end) at = loop.start + ((at - loop.start) % turn);
      const left = Math.floor(at);
      let right = left + 1;
      if (loop && right >= loop.end) right = loop.start;
      const next = right <= last ? samples[right] : samples[last];
      out[i] = samples[left] + (at - left) * (next - samples[left]);
    }
    return out;
  },

  // From the device's rate to the page's by a windowed sinc (Kaiser, beta 9: images at least 80 dB down past the
  // transition), so that the browser's own interpolation is never heard. Smith, "Digital Audio Resampling", 1984.
  resample(samples, from, to) {
    if (from === to) return samples;
    const out = new Float32Array(Math.ceil((samples.length * to) / from));
    Sound.resampleInto(out, samples, from, to, 0, out.length);
    return out;
  },

  // The same in turns short enough for the page to stay alive: for a whole song.
  async resampled(samples, from, to) {
    if (from === to) return samples;
    const out = new Float32Array(Math.ceil((samples.length * to) / from));
    for (let first = 0; first < out.length; first += TURN) {
      Sound.resampleInto(out, samples, from, to, first, Math.min(out.length, first + TURN));
      await new Promise((done) => setTimeout(done));
    }
    return out;
  },

  resampleInto(out, samples, from, to, start, stop) {
    const whole = gcd(from, to);
    const up = to / whole;
    const down = from / whole;
    const table = kernel(up, Math.min(1, to / from));
    const reach = table.reach;
    for (let n = start; n < stop; n += 1) {
      const first = Math.floor((n * down) / up) - reach + 1;
      const taps = table.taps((n * down) % up);
      const begin = Math.max(0, -first);
      const end = Math.min(taps.length, samples.length - first);
      let sum = 0;
      for (let k = begin; k < end; k += 1) sum += taps[k] * samples[first + k];
      out[n] = sum;
    }
  },
};

function gcd(a, b) {
  return b ? gcd(b, a % b) : a;
}

const kernels = new Map();
function kernel(up, cutoff) {
  const key = `${up}/${cutoff}`;
  if (kernels.has(key)) return kernels.get(key);
  const reach = Math.ceil(24 / cutoff);
  const phases = new Map();
  const taps = (phase) => {
    if (!phases.has(phase)) phases.set(phase, sincTaps(phase / up, reach, cutoff * 0.95));
    return phases.get(phase);
  };
  kernels.set(key, { reach, taps });
  return kernels.get(key);
}

function sincTaps(part, reach, cutoff) {
  const taps = new Float64Array(2 * reach);
  let sum = 0;
  for (let k = 0; k < taps.length; k += 1) {
    const x = k - reach + 1 - part;
    const place = x / reach;
    const window = Math.abs(place) < 1 ? bessel(9 * Math.sqrt(1 - place * place)) / bessel(9) : 0;
    taps[k] = window * cutoff * (x === 0 ? 1 : Math.sin(Math.PI * x * cutoff) / (Math.PI * x * cutoff));
    sum += taps[k];
  }
  return taps.map((tap) => tap / sum);
}

function bessel(x) {
  let sum = 1;
  let term = 1;
  for (let k = 1; k < 40; k += 1) {
    term *= (x / (2 * k)) ** 2;
    sum += term;
  }
  return sum;
}
