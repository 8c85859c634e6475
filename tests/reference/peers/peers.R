# What other packages say of the same data: Rscript tests/reference/peers/peers.R FOLDER > tests/reference/peers/values.csv
# FOLDER holds pairs.csv and runs.csv (make_inputs.py). Needs the Debian packages r-cran-lme4 and r-cran-metafor.
suppressMessages({library(lme4); library(metafor)})
folder <- commandArgs(trailingOnly = TRUE)[1]
pairs <- read.csv(file.path(folder, "pairs.csv"), stringsAsFactors = FALSE)
runs <- read.csv(file.path(folder, "runs.csv"), stringsAsFactors = FALSE)

cat("package,version,model,quantity,value\n")
say <- function(package, model, ...) {
  values <- list(...)
  for (name in names(values))
    cat(sprintf("%s,%s,%s,%s,%.10g\n", package, as.character(packageVersion(package)), model, name, values[[name]]))
}

for (method in c("DL", "REML", "PM", "ML")) {
  m <- rma(yi = slope, vi = variance, data = pairs, method = method, control = list(threshold = 1e-12, maxiter = 1000, tol = 1e-12))
  say("metafor", method, estimate = m$b[1], se = m$se, tau = sqrt(m$tau2))
}
m <- rma(yi = slope, vi = variance, data = pairs, method = "REML", test = "knha", control = list(threshold = 1e-12, maxiter = 1000))
say("metafor", "REML Knapp-Hartung", estimate = m$b[1], se = m$se, low = m$ci.lb, high = m$ci.ub)
q <- confint(rma(yi = slope, vi = variance, data = pairs, method = "REML"))
say("metafor", "Q-profile", low = q$random["tau", "ci.lb"], high = q$random["tau", "ci.ub"])
m <- rma.mv(slope, variance, random = ~ 1 | publisher / build, data = pairs, method = "REML", control = list(rel.tol = 1e-13))
say("metafor", "two levels", estimate = m$b[1], se = m$se, tau_source = sqrt(m$sigma2[1]), tau_build = sqrt(m$sigma2[2]))

tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-11, maxfun = 100000))
m <- lmer(g ~ 0 + x + c + (0 + x | publisher) + (0 + x | publisher:build), data = runs, REML = TRUE, control = tight)
v <- as.data.frame(VarCorr(m))
say("lme4", "slopes by publisher and build", x = fixef(m)[["x"]], x_se = sqrt(vcov(m)[1, 1]), c = fixef(m)[["c"]],
    tau_source = v$sdcor[v$grp == "publisher"], tau_build = v$sdcor[v$grp == "publisher:build"], residual = sigma(m))

m <- lmer(Reaction ~ Days + (Days | Subject), data = sleepstudy, REML = TRUE, control = tight)
v <- as.data.frame(VarCorr(m))
say("lme4", "sleepstudy", intercept = fixef(m)[[1]], days = fixef(m)[[2]], days_se = sqrt(vcov(m)[2, 2]),
    days_variance = v$vcov[2], residual = sigma(m), criterion = REMLcrit(m))
