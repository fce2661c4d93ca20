// What can always be looked up: the sheet as it fills, limits and branch table, stop signs, sensors, prompts, the log.
import { useState } from "preact/hooks"
import type { Bluetooth, Sought } from "./bluetooth"
import type { Session } from "./session"
import { T, withUnit } from "./texts"
import type { MinuteRow, View } from "./types"
import { clock, key } from "./types"

export type Looking = "sheet" | "limits" | "signs" | "sensors" | "prompts" | "log" | "screens"

export function Look({ s, bluetooth, open, set }: { s: Session; bluetooth: Bluetooth | undefined; open: Looking | undefined; set(l: Looking | undefined): void }) {
  const all = Object.keys(T.looks) as Looking[]
  return (
    <section class="look" aria-label={Object.values(T.looks).join(", ")}>
      <div class="looks" role="group">
        {all.map((l) => (
          <button key={l} type="button" class="tab" aria-expanded={open === l} aria-controls={open === l ? "looked" : undefined} onClick={() => set(open === l ? undefined : l)}>{T.looks[l]}</button>
        ))}
      </div>
      {open && (
        <div class="looked" id="looked">
          {open === "sheet" && <Sheet s={s} />}
          {open === "limits" && <LimitsTable v={s.view} />}
          {open === "signs" && <Signs v={s.view} />}
          {open === "sensors" && <Sensors s={s} bluetooth={bluetooth} />}
          {open === "prompts" && <PromptSettings s={s} />}
          {open === "log" && <Log s={s} />}
          {open === "screens" && <Screens s={s} />}
        </div>
      )}
    </section>
  )
}

const some = (v: number, unit = "") => (v ? withUnit(v, unit) : "")

function Sheet({ s }: { s: Session }) {
  const [fixing, fix] = useState("")
  const rows = s.view.minutes
  if (!rows.length) return <p>{T.sheetEmpty}</p>
  return (
    <div class="scroll" tabIndex={0} role="region" aria-label={T.sheetCaption}>
      <table>
        <caption>{T.sheetCaption}</caption>
        <thead><tr>{T.sheetHead.map((h, i) => h ? <th key={i} scope="col">{h}</th> : <td key={i} />)}</tr></thead>
        <tbody>
          {rows.map((m, i) => (
            <tr key={i}>
              <th scope="row">{m.minute}</th>
              <td>{m.stage}</td>
              <td>{m.load}</td>
              <td class={m.disturbed ? "out" : ""}>{m.hr || ""}{m.disturbed && ` ${T.disturbedMark}`}</td>
              <td>{some(m.rpe)}</td>
              <td>{m.sbp ? `${m.sbp}/${m.dbp}` : ""}</td>
              <td>{some(m.spo2, "%")}</td>
              <td>{some(m.cadence)}</td>
              <td>{m.hr > 0 && m.ref.term > 0 && s.mode === "pen" && (fixing === key(m.ref)
                ? <Correction s={s} m={m} done={() => fix((row) => (row === key(m.ref) ? "" : row))} />
                : <button type="button" class="quiet" aria-label={T.correctLabel(m.minute)} onClick={() => fix(key(m.ref))}>{T.correct}</button>)}</td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  )
}

function Correction({ s, m, done }: { s: Session; m: MinuteRow; done(): void }) {
  const [v, set] = useState(String(m.hr))
  const save = async () => { if (await s.act([{ kind: "correct", ref: m.ref, v: Number(v) }])) done() }
  return (
    <span class="correction">
      <input type="text" inputMode="numeric" size={4} aria-label={T.correctLabel(m.minute)} value={v} onInput={(e) => set(e.currentTarget.value)}
        onKeyDown={(e) => { if (e.key === "Enter") void save() }} ref={(e) => e?.focus()} />
      <button type="button" onClick={() => void save()} disabled={!/^\d{2,3}$/.test(v)}>{T.save}</button>
      <button type="button" class="quiet" onClick={() => void s.act([{ kind: "disturbed", ref: m.ref }]).then(done)}>{T.disturbedMark}</button>
      <button type="button" class="quiet" onClick={done}>{T.cancel}</button>
    </span>
  )
}

function LimitsTable({ v }: { v: View }) {
  const l = v.limits
  const rows: [string, string][] = [
    [T.limit.end, l.end_beat ? withUnit(l.end_beat, "/min") : T.none],
    [T.limit.formula, l.max_hr ? T.formula(l.max_hr, l.formula, l.percent) : T.none],
    [T.limit.hr, l.hr_limit ? `${withUnit(l.hr_limit, "/min")} (${l.hr_limit_why})` : T.none],
    [T.limit.sbp, l.sbp_limit ? withUnit(l.sbp_limit, "mmHg") : T.none],
    [T.limit.spo2, l.spo2_limit ? withUnit(l.spo2_limit, "%") : T.none],
    [T.limit.rpeAlert, l.rpe_alert ? String(l.rpe_alert) : T.none],
    [T.limit.rpeEnd, l.rpe_end ? String(l.rpe_end) : T.none],
    ...(l.limits_by ? [[T.limit.by, l.limits_by] as [string, string]] : []),
  ]
  return (
    <div class="pair">
      <table>
        <caption>{T.limitsCaption}</caption>
        <tbody>{rows.map(([name, value]) => <tr key={name}><th scope="row">{name}</th><td>{value}</td></tr>)}</tbody>
      </table>
      {v.rows.length > 0 && (
        <table>
          <caption>{T.rowsCaption}</caption>
          <tbody>
            {v.rows.map((r) => (
              <tr key={r.row} class={r.taken ? "taken" : ""}>
                <th scope="row">{r.below ? T.rowBelow(r.below) : T.rowRest}</th>
                <td>{r.work.map((w) => T.watts(w)).join(", ")}</td>
                <td>{r.taken ? T.rowTaken : r.called ? T.rowCalled : ""}</td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
    </div>
  )
}

function Signs({ v }: { v: View }) {
  return (
    <div>
      <h2>{T.signsCaption}</h2>
      <ul class="signlist">
        {v.signs.map((x) => <li key={x.id}>{x.text} <small>{x.stop ? (x.grave ? T.signGrave : T.signStop) : T.signWatch}</small></li>)}
      </ul>
      <h3>{T.signsMeasured}</h3>
      <ul class="signlist">
        {v.measured.map((x) => <li key={x.id}>{x.text} <small>{T.signDoes[x.does]}</small></li>)}
      </ul>
    </div>
  )
}

function Sensors({ s, bluetooth }: { s: Session; bluetooth: Bluetooth | undefined }) {
  const [said, say] = useState("")
  const add = async (kind: Sought) => {
    say("")
    try { await bluetooth?.add(kind) } catch (e) { say(e instanceof Error && e.name === "NotFoundError" ? T.notChosen : String(e)) }
  }
  return (
    <div class="sensors">
      <ul>
        {s.signals.sources.map((x) => (
          <li key={x.id}>
            <b>{x.name}</b>: {T.sensorStates[x.state]}{x.battery !== undefined && `, ${T.battery(x.battery)}`}{x.battery !== undefined && x.battery < 15 && `, ${T.batteryLow}`}{x.says && `: ${x.says}`}
            {x.id !== "invented" && <button type="button" class="quiet" onClick={() => { x.close(); s.signals.sources = s.signals.sources.filter((y) => y !== x) }}>{T.disconnect}</button>}
          </li>
        ))}
        {!s.signals.sources.length && <li>{T.noSensor}</li>}
      </ul>
      {bluetooth
        ? <p class="adds">{(Object.entries(T.addSensor) as [Sought, string][]).map(([kind, name]) => <button key={kind} type="button" onClick={() => void add(kind)}>{name}</button>)}</p>
        : <p>{T.noBluetooth}</p>}
      {said && <p role="status">{said}</p>}
      {s.signals.malformed > 0 && <p>{T.malformed(s.signals.malformed)}</p>}
      <p>{T.machineRead}</p>
    </div>
  )
}

function PromptSettings({ s }: { s: Session }) {
  const [, draw] = useState(0)
  const p = s.watcher.prompts
  const names = Object.keys(T.settings) as (keyof typeof p.settings)[]
  return (
    <div class="settings">
      {names.map((name) => (
        <label key={name} class="check">
          <input type="checkbox" checked={Boolean(p.settings[name])} onChange={(e) => { p.unlock(); p.set(name, e.currentTarget.checked as never); draw(Date.now()) }} /> {T.settings[name]}
        </label>
      ))}
      {p.settings.metronome && !s.targetCadence() && <p>{T.noMetronome}</p>}
      <div class="papers" role="group" aria-label={T.lookLabel}>
        {Object.entries(T.look).map(([look, name]) => (
          <button key={look} type="button" class="tab" aria-pressed={p.settings.dark === look} onClick={() => { p.set("dark", look); paper(look); draw(Date.now()) }}>{name}</button>
        ))}
      </div>
    </div>
  )
}

// paper chooses the light or dark form of the sheet.
export function paper(look: string) { document.documentElement.dataset.paper = look }

function Log({ s }: { s: Session }) {
  if (!s.view.log.length) return <p>{T.logEmpty}</p>
  return (
    <ol class="log">
      {s.view.log.map((l) => (
        <li key={key(l.id)}>
          <time>{clock(l.at_ms)}</time> <span>{l.say}</span>
          {l.undo && s.mode === "pen" && <button type="button" class="quiet" aria-label={T.undoLast(l.say)} onClick={() => void s.act([{ kind: "withdraw", ref: l.id }])}>{T.undo}</button>}
        </li>
      ))}
    </ol>
  )
}

function Screens({ s }: { s: Session }) {
  const save = () => {
    const url = URL.createObjectURL(new Blob([s.file()], { type: "application/x-ndjson" }))
    const a = document.createElement("a")
    a.href = url
    a.download = s.test + ".jsonl"
    a.click()
    setTimeout(() => URL.revokeObjectURL(url), 10_000)
  }
  return (
    <div class="screens">
      <p><a href={`/tests/${s.test}/participant`} target="_blank" rel="noopener">{T.screens.participant}</a></p>
      {s.mode === "pen" && (
        <p><label class="check"><input type="checkbox" checked={s.heartShown} onChange={(e) => void s.showHeart(e.currentTarget.checked)} /> {T.showHeart}</label></p>
      )}
      <p><a href={`/tests/${s.test}/observe`} target="_blank" rel="noopener">{T.screens.observe}</a></p>
      <p><a href={`/tests/${s.test}/sheet`} target="_blank" rel="noopener">{T.screens.sheet}</a></p>
      <p><button type="button" onClick={save}>{T.screens.file}</button></p>
    </div>
  )
}
