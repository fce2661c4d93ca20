package web

import (
	"net/http"
	"strings"

	"gradus/internal/access"
)

// rule says who may use a route and when.
type rule struct {
	right access.Right
	how   string // "": signed in with that right; see below
}

// What a rule may say beside its right.
const (
	open    = "open"  // to everybody, signed in or not: nothing of any person
	ongoing = "live"  // goes on behind a locked session while its test runs; what a device sends by itself keeps no session awake
	acted   = "acted" // as live, and keeps the session awake: somebody acts at the bedside
	fresh   = "fresh" // only soon after the person has proved who it is
)

// rules is the table of all routes: a route without a line is refused to everybody, and a test fails.
var rules = map[string]rule{
	"GET /{$}":                               {access.Read, ""},
	"GET /api/stream":                        {access.See, ongoing},
	"GET /research":                          {access.Research, ""},
	"POST /research":                         {access.Research, ""},
	"GET /export":                            {access.Decide, ""},
	"POST /export":                           {access.Decide, ""},
	"GET /doctor":                            {access.Read, ""},
	"POST /emergency":                        {access.Enter, ""},
	"GET /people/{person}/whose":             {access.Decide, ""},
	"GET /metrics":                           {access.Read, open}, // decides by itself
	"POST /people/search":                    {access.See, ""},
	"GET /bring-in":                          {access.Decide, ""},
	"POST /bring-in":                         {access.Decide, ""},
	"GET /bring-in/mappings/{mapping}":       {access.Decide, ""},
	"GET /bring-in/{file}":                   {access.Decide, ""},
	"POST /bring-in/{file}":                  {access.Decide, ""},
	"POST /estimators/{estimator}":           {access.Plans, ""},
	"GET /tests/{test}/plan":                 {access.See, ""},
	"POST /tests/{test}/plan":                {access.Enter, ""},
	"GET /people":                            {access.See, ""},
	"POST /people":                           {access.Enter, ""},
	"GET /people/{person}":                   {access.See, ""},
	"POST /people/{person}":                  {access.Enter, ""},
	"POST /people/{person}/archive":          {access.Decide, ""},
	"GET /people/{person}/merge":             {access.Decide, ""},
	"POST /people/{person}/merge":            {access.Decide, ""},
	"POST /people/{person}/unmerge":          {access.Decide, ""},
	"POST /people/{person}/visits":           {access.Enter, ""},
	"GET /people/{person}/new":               {access.Enter, ""},
	"POST /people/{person}/new":              {access.Enter, ""},
	"GET /people/{person}/screening":         {access.See, ""},
	"POST /people/{person}/screening":        {access.Enter, ""},
	"GET /people/{person}/screening/{paper}": {access.See, ""},
	"GET /people/{person}/over-time":         {access.See, ""},
	"POST /people/{person}/over-time":        {access.Decide, ""},
	"GET /people/{person}/over-time/paper":   {access.See, ""},
	"GET /people/{person}/log":               {access.See, ""},
	"POST /people/{person}/log":              {access.Enter, ""},
	"GET /visits/{visit}":                    {access.See, ""},
	"POST /visits/{visit}":                   {access.Enter, ""},
	"GET /visits/{visit}/card":               {access.See, ""},
	"GET /visits/{visit}/which":              {access.See, ""},
	"POST /visits/{visit}/which":             {access.Enter, ""},
	"GET /visits/{visit}/fit":                {access.See, ""},
	"POST /visits/{visit}/fit":               {access.Enter, ""},
	"GET /visits/{visit}/rest":               {access.See, ""},
	"POST /visits/{visit}/rest":              {access.Enter, ""},
	"GET /settings":                          {access.Read, ""},
	"POST /settings":                         {access.OwnSite, ""},
	"GET /emergency":                         {access.Read, open},
	"GET /people/{person}/emergency":         {access.See, ""},
	"POST /people/{person}/emergency":        {access.Enter, ""},
	"GET /people/{person}/handover":          {access.See, ""},
	"GET /incidents":                         {access.See, ""},
	"GET /people/{person}/incidents":         {access.See, ""},
	"POST /people/{person}/incidents":        {access.Enter, ""},
	"GET /tests/{test}/emergency":            {access.See, ongoing},
	"GET /machines":                          {access.See, ""},
	"POST /machines":                         {access.Machines, ""},
	"GET /machines/{machine}":                {access.See, ""},
	"POST /machines/{machine}":               {access.Machines, ""},
	"POST /machines/{machine}/calibration":   {access.Machines, ""},
	"POST /machines/{machine}/runs":          {access.Machines, ""},
	"POST /machines/{machine}/strike":        {access.Machines, ""},
	"GET /protocols":                         {access.Read, ""},
	"POST /protocols":                        {access.Plans, ""},
	"GET /protocols/{protocol}":              {access.Read, ""},
	"GET /protocols/{protocol}/file":         {access.Read, ""},
	"GET /protocols/{protocol}/try":          {access.Read, ""},
	"GET /protocols/{protocol}/edit":         {access.Plans, ""},
	"POST /protocols/{protocol}/edit":        {access.Plans, ""},
	"GET /estimators":                        {access.Read, ""},
	"GET /estimators/{estimator}":            {access.Read, ""},
	"POST /api/protocols/check":              {access.Plans, ""},
	"GET /tests/{test}":                      {access.See, ""},
	"POST /tests/{test}":                     {access.Decide, ""},
	"POST /tests/{test}/record":              {access.Enter, ""},
	"GET /tests/{test}/correct":              {access.Enter, ""},
	"POST /tests/{test}/correct":             {access.Enter, ""},
	"POST /tests/{test}/papers":              {access.Decide, ""},
	"GET /tests/{test}/papers":               {access.See, ""},
	"POST /tests/{test}/papers/said":         {access.Decide, ""}, // signing asks for a fresh proof by itself
	"POST /tests/{test}/papers/file":         {access.Decide, ""},
	"GET /tests/{test}/papers/{kind}":        {access.See, ""},
	"GET /papers.css":                        {access.Read, open},
	"GET /papers-regular.ttf":                {access.Read, open},
	"GET /papers-bold.ttf":                   {access.Read, open},
	"GET /tests/{test}/sheet":                {access.See, ""},
	"GET /tests/{test}/run":                  {access.Enter, ongoing},
	"GET /tests/{test}/participant":          {access.See, ongoing},
	"GET /tests/{test}/observe":              {access.See, ongoing},
	"GET /api/clock":                         {access.See, ongoing},
	"GET /api/tests/{test}":                  {access.See, ongoing},
	"POST /api/tests/{test}/events":          {access.Enter, acted},
	"POST /api/tests/{test}/samples":         {access.Enter, ongoing},
	"GET /api/tests/{test}/samples":          {access.See, ongoing},
	"POST /api/tests/{test}/papers":          {access.Decide, ""},
	"POST /api/tests/{test}/call":            {access.Enter, ongoing},
	"POST /api/tests/{test}/show":            {access.Enter, ongoing},
	"GET /api/tests/{test}/stream":           {access.See, ongoing},
	"GET /api/tests/{test}/log":              {access.See, ""},
	"/api/":                                  {access.Read, open},
	"GET /assets/{name}":                     {access.Read, open},
	"GET /sw.js":                             {access.Read, open},
	"GET /favicon.ico":                       {access.Read, open},
	"GET /trust":                             {access.Read, open},
	"GET /trust/{file}":                      {access.Read, open},
	"/":                                      {access.Read, open},
	"GET /sign-in":                           {access.Read, open},
	"POST /sign-in":                          {access.Read, open},
	"POST /sign-in/code":                     {access.Read, open},
	"GET /start":                             {access.Read, open},
	"POST /start":                            {access.Read, open},
	"POST /api/passkey/ask":                  {access.Read, open},
	"POST /api/passkey/answer":               {access.Read, open},
	"GET /unlock":                            {access.Read, open},
	"POST /unlock":                           {access.Read, open},
	"POST /lock":                             {access.Read, open},
	"POST /sign-out":                         {access.Read, open},
	"POST /api/awake":                        {access.Read, ""},
	"GET /account":                           {access.Read, ""},
	"POST /account/password":                 {access.Read, fresh},
	"GET /account/codes":                     {access.Read, fresh},
	"POST /account/codes":                    {access.Read, fresh},
	"POST /account/codes/off":                {access.Read, fresh},
	"POST /account/recovery":                 {access.Read, fresh},
	"POST /api/account/passkey/ask":          {access.Read, fresh},
	"POST /api/account/passkey/answer":       {access.Read, fresh},
	"POST /account/passkeys/remove":          {access.Read, fresh},
	"POST /account/sessions/end":             {access.Read, ""},
	"GET /people/{person}/consent":           {access.See, ""},
	"POST /people/{person}/consent":          {access.Enter, ""},
	"POST /tests/{test}/countersign":         {access.Sign, fresh},
	"GET /erasures":                          {access.Erase, ""},
	"POST /erasures":                         {access.Erase, fresh},
	"GET /trail":                             {access.OwnSite, ""},
	"POST /trail":                            {access.OwnSite, ""},
	"GET /trail/file":                        {access.Accounts, ""},
	"GET /accounts":                          {access.Accounts, ""},
	"POST /accounts":                         {access.Accounts, fresh},
	"GET /accounts/{account}":                {access.Accounts, ""},
	"POST /accounts/{account}":               {access.Accounts, fresh},
	"POST /accounts/{account}/reset":         {access.Accounts, fresh},
	"POST /sites":                            {access.Accounts, fresh},
	"POST /sites/{site}":                     {access.OwnSite, fresh},
}

// table is the list of routes, which tests go through, with the mux that follows it. Each route stands behind its rule.
type table struct {
	http.ServeMux
	s        *Server
	patterns []string
}

// HandleFunc adds a route. The pattern is its line in the rules.
func (t *table) HandleFunc(pattern string, h http.HandlerFunc) {
	rule, named := rules[pattern]
	t.patterns = append(t.patterns, pattern)
	if !named {
		t.s.log.Error("a route has no rule; it is refused to everybody", "route", pattern)
		h = func(w http.ResponseWriter, r *http.Request) { t.s.turnAway(w, r, &access.RefusedError{}) }
	}
	t.ServeMux.HandleFunc(pattern, t.s.ruled(rule, h))
}

// Rule tells what a route asks for: the right, and how.
func Rule(pattern string) (right access.Right, how string, named bool) {
	r, named := rules[pattern]
	return r.right, r.how, named
}

// Rules are the patterns that have a rule.
func Rules() (patterns []string) {
	for p := range rules {
		patterns = append(patterns, p)
	}
	return patterns
}

func isAPI(r *http.Request) bool { return strings.HasPrefix(r.URL.Path, "/api/") }
