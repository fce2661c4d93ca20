declare module "go-wasm-exec"
