# The models of models.csv by the packages survival, lme4 and nlme.

columns_of <- function(data) grep("^x[0-9]+$", names(data), value = TRUE)

needed <- function(package) {
  if (!requireNamespace(package, quietly = TRUE)) {
    stop("the package ", package, " is not installed", call. = FALSE)
  }
  package
}

# The first of some packages that is installed.
installed_of <- function(packages) {
  for (package in packages) if (requireNamespace(package, quietly = TRUE)) return(package)
  stop("not installed: ", paste(packages, collapse = ", "), call. = FALSE)
}

# The data sets of a Cox model, its metrics in steps of their standard deviation among the rows
# without gap: those rows, or all rows with each set of values drawn for the gaps.
cox_data_sets <- function(model) {
  measured <- read.csv(model$file)
  whole <- complete.cases(measured)
  metrics <- columns_of(measured)[seq_len(model$predictors)]
  steps <- sapply(measured[whole, metrics, drop = FALSE], sd)
  sets <- list(measured[whole, ])
  if (nzchar(model$filled) && !is.na(model$filled)) {
    drawn <- read.csv(model$filled, stringsAsFactors = FALSE)
    sets <- lapply(split(drawn, drawn$data_set), function(values) {
      completed <- measured
      places <- cbind(values$row, match(values$column, names(measured)))
      completed[places] <- values$value
      completed
    })
  }
  in_steps <- function(data) {
    data[metrics] <- sweep(data[metrics], 2, steps, "/")
    data
  }
  list(sets = lapply(unname(sets), in_steps), steps = steps)
}

fit_cox <- function(data, ties) {
  right <- paste(c(columns_of(data), "strata(stratum)"), collapse = " + ")
  fit <- survival::coxph(
    as.formula(paste("survival::Surv(time, event) ~", right), env = asNamespace("survival")),
    data = data, ties = ties, x = TRUE, y = TRUE, model = TRUE,
    control = survival::coxph.control(eps = 1e-14, toler.chol = 1e-16, iter.max = 100)
  )
  list(
    coefficients = coef(fit), errors = sqrt(diag(vcov(fit))), likelihood = fit$loglik[2], fit = fit
  )
}

# Score tests of proportional hazards, time as 1 - Kaplan-Meier: chi-squared of each column (one
# degree of freedom), and of all.
proportional <- function(fit) {
  survival::cox.zph(fit, transform = "km", terms = FALSE)$table[, "chisq"]
}

fit_cox_model <- function(model) {
  package <- needed("survival")
  data <- cox_data_sets(model)
  fits <- lapply(data$sets, fit_cox, ties = model$ties)
  list(fits = fits, steps = data$steps, package = package)
}

fit_lme4 <- function(model, data, fixed) {
  slope <- if (model$slope) "(1 + half | athlete)" else "(1 | athlete)"
  visits <- if (model$visits) "+ (1 | visit)" else ""
  fit <- lme4::lmer(
    as.formula(paste(fixed, "+", slope, visits)), data = data, REML = TRUE,
    control = lme4::lmerControl(
      optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5),
      check.conv.singular = "ignore", check.conv.grad = "ignore", check.conv.hess = "ignore"
    )
  )
  errors <- sqrt(diag(as.matrix(vcov(fit))))
  list(coefficients = lme4::fixef(fit), errors = errors, likelihood = as.numeric(logLik(fit)))
}

# With the search as nlme sets it, coefficients were up to a thousandth of a standard error off. A
# search that runs out of steps, at a variance of zero, gives its last point: the comparison judges.
fit_nlme <- function(model, data, fixed) {
  random <- list(athlete = if (model$slope) ~half else ~1)
  if (model$visits) random$visit <- ~1
  fit <- nlme::lme(
    as.formula(fixed), data = data, random = random, method = "REML",
    control = nlme::lmeControl(
      opt = "optim", msMaxIter = 1000, niterEM = 100, tolerance = 1e-10, msTol = 1e-15,
      returnObject = TRUE
    )
  )
  errors <- sqrt(diag(vcov(fit)))
  list(coefficients = nlme::fixef(fit), errors = errors, likelihood = as.numeric(logLik(fit)))
}

fit_mixed_model <- function(model, packages) {
  package <- installed_of(packages)
  data <- read.csv(model$file)
  fixed <- paste("response ~ 0 +", paste(columns_of(data), collapse = " + "))
  fit <- switch(package, lme4 = fit_lme4, nlme = fit_nlme)
  if (is.null(fit)) stop("no mixed model is written for the package ", package, call. = FALSE)
  list(fits = list(fit(model, data, fixed)), steps = NULL, package = package)
}
