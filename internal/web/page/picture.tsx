// The picture of a test: work rate as stairs along the minutes, planned readings as open dots, taken ones filled,
// the planned end as a dashed line and the sensor as a thin trace on its own scale.
import { useEffect, useRef, useState } from "preact/hooks"
import { T } from "./texts"
import type { Dot } from "./signals"
import type { Row, View } from "./types"

interface Scale { k: number; x(ms: number): number; w(watts: number): number; h(hr: number): number; end: number; top: number; left: number; right: number; bottom: number }

function scale(v: View, width: number, height: number, k: number): Scale {
  const minutes = Math.max(6, Math.ceil(Math.max(v.now_ms, ...v.stairs.map((s) => s.to_ms)) / 60_000))
  const watts = Math.max(100, ...v.stairs.map((s) => s.height), ...v.rows.flatMap((r) => r.work)) * 1.12
  const most = Math.max(v.limits.end_beat, v.limits.hr_limit, 140) + 15
  const left = 44 * k, right = width - 44 * k, top = 22 * k, bottom = height - 26 * k, low = 50
  return {
    k, end: minutes, left, right, top, bottom,
    x: (ms) => left + ((right - left) * ms) / (minutes * 60_000),
    w: (watt) => bottom - ((bottom - top) * watt) / watts,
    h: (hr) => bottom - ((bottom - top) * Math.max(0, hr - low)) / (most - low),
  }
}

// range of loads of a planned stage whose row is still to come.
function rowRange(rows: Row[], index: number): [number, number] | undefined {
  const loads = rows.map((r) => r.work[index]).filter((w) => w > 0)
  return loads.length ? [Math.min(...loads), Math.max(...loads)] : undefined
}

// thin keeps a trace to about one point for each two pixels.
function trace(dots: Dot[], s: Scale): string {
  const every = Math.max(1, Math.floor(dots.length / ((s.right - s.left) / 2)))
  let path = ""
  let last = -Infinity
  for (let i = 0; i < dots.length; i += every) {
    const part = dots.slice(i, i + every)
    const v = part.reduce((sum, d) => sum + d.v, 0) / part.length
    // A silence is a gap in the line, not a straight piece.
    path += `${dots[i].at_ms - last > 10_000 ? "M" : "L"}${s.x(dots[i].at_ms).toFixed(1)} ${s.h(v).toFixed(1)}`
    last = part.at(-1)!.at_ms
  }
  return path
}

function useSize() {
  const ref = useRef<HTMLDivElement>(null)
  const [size, set] = useState({ width: 700, height: 260, k: 1 })
  useEffect(() => {
    const watch = new ResizeObserver(([entry]) => set({ width: Math.max(240, entry.contentRect.width), height: Math.max(40, entry.contentRect.height), k: Math.min(2, Math.max(1, parseFloat(getComputedStyle(document.documentElement).fontSize) / 16)) }))
    if (ref.current) watch.observe(ref.current)
    return () => watch.disconnect()
  }, [])
  return { ref, ...size }
}

export function Picture({ v, dots, quiet }: { v: View; dots: Dot[]; quiet?: boolean }) {
  const { ref, width, height, k } = useSize()
  const s = scale(v, width, height, k)
  const unknownBefore = (i: number) => v.stairs.slice(0, i).filter((k) => !k.known).length
  return (
    <div class="drawing" ref={ref}>
      <svg role="img" aria-label={alt(v)} width={width} height={height} viewBox={`0 0 ${width} ${height}`}>
        <Axes s={s} v={v} width={width} />
        {v.stairs.map((k, i) => {
          const range = k.known ? undefined : rowRange(v.rows, unknownBefore(i))
          const x0 = s.x(k.from_ms), x1 = s.x(k.to_ms)
          if (range) {
            return (
              <g key={i}>
                <rect class="maybe" x={x0} y={s.w(range[1])} width={x1 - x0} height={s.w(range[0]) - s.w(range[1])} />
                <text class="load" x={(x0 + x1) / 2} y={s.w(range[0]) - 8}>{range[0]}–{range[1]}</text>
              </g>
            )
          }
          return (
            <g key={i}>
              <rect class={k.planned ? "step planned" : "step ridden"} x={x0} y={s.w(k.height)} width={Math.max(1, x1 - x0)} height={s.bottom - s.w(k.height)} />
              <line class={k.planned ? "edge planned" : "edge ridden"} x1={x0} x2={x1} y1={s.w(k.height)} y2={s.w(k.height)} />
              {x1 - x0 > 9 * s.k * k.load.length + 6 && <text class="load" x={x0 + 4} y={s.bottom - 5}>{k.load}</text>}
            </g>
          )
        })}
        {v.limits.end_beat > 0 && (
          <g>
            <line class="end" x1={s.left} x2={s.right} y1={s.h(v.limits.end_beat)} y2={s.h(v.limits.end_beat)} />
            <text class="endtext" x={s.left + 4} y={s.h(v.limits.end_beat) - 5}>{T.endsAt(v.limits.end_beat)}</text>
          </g>
        )}
        {!quiet && <path class="trace" d={trace(dots, s)} />}
        {marks(v, s).map((m, i) => <ReadingMark key={i} {...m} s={s} />)}
        {v.phase !== "ready" && v.phase !== "closed" && <line class="hand-now" x1={s.x(v.now_ms)} x2={s.x(v.now_ms)} y1={s.top - 8} y2={s.bottom} />}
      </svg>
    </div>
  )
}

function Axes({ s, v, width }: { s: Scale; v: View; width: number }) {
  const room = width / s.k
  const every = s.end > 24 || (s.end > 14 && room < 500) ? 5 : s.end > 14 || room < 420 ? 2 : 1
  const minutes = Array.from({ length: Math.floor(s.end / every) }, (_, i) => (i + 1) * every)
  const watts: number[] = []
  for (const w of v.axis !== "W" ? [] : [...new Set(v.stairs.filter((k) => k.known && k.work > 0).map((k) => k.work))].sort((a, b) => a - b)) {
    if (!watts.length || s.w(watts.at(-1)!) - s.w(w) > 15 * s.k) watts.push(w)
  }
  const beats: number[] = []
  const hrStep = s.h(60) - s.h(80) < 17 * s.k ? 40 : 20
  for (let b = 60; s.h(b) > s.top; b += hrStep) beats.push(b)
  return (
    <g class="axes">
      <line x1={s.left} x2={s.right} y1={s.bottom} y2={s.bottom} />
      {minutes.map((m) => (
        <g key={m}>
          <line x1={s.x(m * 60_000)} x2={s.x(m * 60_000)} y1={s.bottom} y2={s.bottom + 4} />
          <text class="mid" x={s.x(m * 60_000)} y={s.bottom + 18 * s.k}>{m}</text>
        </g>
      ))}
      {watts.map((w) => <text key={w} class="end-anchor" x={s.left - 6} y={s.w(w) + 5}>{w}</text>)}
      <text class="end-anchor unit" x={s.left - 6} y={s.top - 6}>{v.axis}</text>
      {beats.map((b) => <text key={b} class="beat" x={s.right + 6} y={s.h(b) + 5}>{b}</text>)}
      <text class="unit" x={s.right + 6} y={s.top - 6}>{T.axisHeart}</text>
    </g>
  )
}

// workAt is the load over which a reading stands.
function workAt(v: View, at: number): number {
  let work = 0
  for (const [i, k] of v.stairs.entries()) {
    if (at > k.from_ms && at <= k.to_ms) {
      if (k.known) return k.height
      return rowRange(v.rows, v.stairs.slice(0, i).filter((x) => !x.known).length)?.[0] ?? 0
    }
    if (at > k.to_ms) work = k.height
  }
  return work
}

interface Mark { d: View["dots"][number]; x: number; y: number; below: boolean }

// marks places the readings; the number of one close to the last goes below its dot. What was planned and will not
// be ridden any more is left out.
function marks(v: View, s: Scale): Mark[] {
  const going = v.phase === "ready" || v.phase === "riding"
  let labelled = -Infinity, below = false
  return v.dots.filter((d) => d.taken || going).map((d) => {
    const x = s.x(d.at_ms)
    if (!d.taken) return { d, x, y: s.w(workAt(v, d.at_ms)), below: false }
    below = x - labelled < 34 * s.k && !below
    labelled = x
    return { d, x, y: s.h(d.v), below }
  })
}

function ReadingMark({ d, x, y, below, s }: Mark & { s: Scale }) {
  if (!d.taken) return <circle class="open" cx={x} cy={y} r={5} />
  return (
    <g>
      <circle class={d.disturbed ? "disturbed" : d.planned ? "taken" : "taken besides"} cx={x} cy={y} r={d.planned ? 6 : 4} />
      {d.disturbed && <path class="half" d={`M${x} ${y - 6}A6 6 0 0 1 ${x} ${y + 6}Z`} />}
      <text class="value" x={x} y={below ? y + 21 * s.k : y - 10}>{d.v}</text>
    </g>
  )
}

function alt(v: View): string {
  const readings = v.dots.filter((d) => d.taken && !d.disturbed).map((d) => d.v).join(", ")
  const planned = v.stairs.map((k) => (k.known ? k.load + (v.axis ? ` ${v.axis}` : "") : "by the branch")).join(", ")
  return T.pictureAlt({ stage: v.stage, load: v.load, minute: v.minute, readings, end: v.limits.end_beat, planned, hr: "" })
}
