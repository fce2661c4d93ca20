module gradus

go 1.26

require (
	github.com/alecthomas/kong v1.17.0
	github.com/goccy/go-yaml v1.19.2
)

require pgregory.net/rapid v1.3.0 // indirect
